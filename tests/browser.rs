//! Pages as a browser, an HTML validator and an accessibility checker see them (`tests/browser/check.mjs`).

use std::path::PathBuf;
use std::process::{Command, Stdio};

use crate::harness::{Home, SITE, Said, root, skip};

/// Node with the packages of tests/browser, and a Chromium.
pub(crate) struct Browser {
    packages: PathBuf,
}

impl Browser {
    #[track_caller]
    pub(crate) fn find() -> Option<Browser> {
        let packages = std::env::var_os("MOSSWARDEN_BROWSER")
            .map_or_else(|| root().join("target/browser"), PathBuf::from);
        let has_node = Command::new("node")
            .arg("--version")
            .stdout(Stdio::null())
            .status()
            .is_ok_and(|status| status.success());
        if has_node && packages.join("node_modules/axe-core").is_dir() {
            Some(Browser { packages })
        } else {
            skip("Node.js with the packages of tests/browser is missing");
            None
        }
    }

    fn check(&self, pages: &[&str]) -> Said {
        Command::new("node")
            .arg(root().join("tests/browser/check.mjs"))
            .args(pages)
            .env("MOSSWARDEN_BROWSER", &self.packages)
            .stdin(Stdio::null())
            .output()
            .expect("node was found")
            .into()
    }

    /// Runs another of the scripts in tests/browser.
    pub(crate) fn drive(&self, script: &str, arguments: &[&str]) -> Said {
        Command::new("node")
            .arg(root().join("tests/browser").join(script))
            .args(arguments)
            .env("MOSSWARDEN_BROWSER", &self.packages)
            .stdin(Stdio::null())
            .output()
            .expect("node was found")
            .into()
    }

    /// Fails where the validator or the accessibility checker finds anything on a page (a file or an address), where a page
    /// asks anybody else for something, or where it is wider than the screen.
    #[track_caller]
    pub(crate) fn must_be_fit(&self, pages: &[&str]) {
        let said = self.check(pages).expect_code(0);
        let looked_at = said.json()["pages"].as_array().map_or(0, Vec::len);
        assert_eq!(looked_at, pages.len(), "{}", said.stdout);
    }
}

#[test]
fn the_checker_passes_a_sound_page_and_finds_the_faults_of_a_bad_one() {
    let Some(browser) = Browser::find() else {
        return;
    };
    let home = Home::new(SITE);
    let page = |body: &str| {
        format!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<title>A page</title>\n</head>\n\
             <body>\n<main>\n<h1>A page</h1>\n{body}\n</main>\n</body>\n</html>\n"
        )
    };
    let sound = home.write("sound.html", &page("<p>Nothing is wrong here.</p>"));
    browser.must_be_fit(&[&sound.to_string_lossy()]);

    let faults = [
        ("image-alt", "<img src=\"data:,\">"),
        ("color-contrast", "<p style=\"color:#ccc\">pale</p>"),
        ("asks-elsewhere", "<img alt=\"\" src=\"http://127.0.0.1:9/\">"),
        ("close-order", "<p><b>bold</p></b>"),
        ("too-wide", "<div style=\"width:2000px\">wide</div>"),
    ];
    let bad = home.write("bad.html", &page(&faults.map(|(_, html)| html).join("\n")));
    let said = browser.check(&[&bad.to_string_lossy()]).expect_code(1);
    for (rule, _) in faults {
        assert!(
            said.stdout.contains(&format!("\"{rule}\"")),
            "no {rule}: {}",
            said.stdout
        );
    }
}
