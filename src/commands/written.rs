//! Documents as files: dated names that nothing is written over, whole files only, opened when asked.

use std::panic::resume_unwind;
use std::path::{Path, PathBuf};
use std::thread;

use mosswarden_analysis::sheet::{self, Sheet};
use mosswarden_config::site::Site;

use crate::reporter::Failure;

/// The forms of one document; each is a file with its own ending.
pub(crate) struct Forms<'m> {
    pub(crate) html: &'m (dyn Fn() -> String + Sync),
    pub(crate) json: &'m (dyn Fn() -> String + Sync),
    /// What text and PDF are made from.
    pub(crate) sheet: Sheet,
}

/// The endings of [`Forms`]; the first is what is opened.
pub(crate) const ENDINGS: [&str; 4] = ["html", "pdf", "json", "txt"];

/// Where the forms of a document go.
pub(crate) fn files(folder: &Path, name: &str) -> Vec<PathBuf> {
    ENDINGS
        .iter()
        .map(|end| folder.join(format!("{name}.{end}")))
        .collect()
}

/// Writes every form under the names that [`files`] gives.
pub(crate) fn write(forms: &Forms<'_>, folder: &Path, name: &str) -> Result<(), Failure> {
    fs_err::create_dir_all(folder)
        .map_err(Failure::failed_in("could not make the folder of reports", folder))?;
    let (html, json) = (forms.html, forms.json);
    // The PDF takes longest; the others are made beside it.
    let (paper, texts) = thread::scope(|scope| {
        let texts = scope.spawn(move || (html(), json()));
        let paper = sheet::pdf(&forms.sheet);
        (paper, texts.join().unwrap_or_else(|panic| resume_unwind(panic)))
    });
    let (html, json) = texts;
    let paper = paper.map_err(Failure::failed("could not make the PDF"))?;
    if !paper.missing.is_empty() {
        let letters: String = paper.missing.iter().collect();
        eprintln!(
            "no font of this machine has the letters {letters}: the PDF shows ids beside names with them; install a font for \
             their script, such as fonts-noto-cjk for Japanese"
        );
    }
    let text = sheet::text(&forms.sheet);
    let contents: [&[u8]; 4] = [html.as_bytes(), &paper.bytes, json.as_bytes(), text.as_bytes()];
    for (file, content) in files(folder, name).iter().zip(contents) {
        put(file, content)?;
    }
    Ok(())
}

/// Writes a file under a temporary name first, so that a reader never meets half of it.
pub(crate) fn put(file: &Path, content: &[u8]) -> Result<(), Failure> {
    let unfinished = unfinished(file);
    fs_err::write(&unfinished, content)
        .and_then(|()| fs_err::rename(&unfinished, file))
        .map_err(Failure::failed_in(
            format!("could not write {}", file.display()),
            file,
        ))
}

/// The name of a file while it is written.
pub(crate) fn unfinished(file: &Path) -> PathBuf {
    let mut name = file.file_name().unwrap_or_default().to_owned();
    name.push(".unfinished");
    file.with_file_name(name)
}

/// Refuses to write over a file that is there, unless `force`.
pub(crate) fn never_over(files: &[PathBuf], force: bool) -> Result<(), Failure> {
    match files.iter().find(|file| !force && file.exists()) {
        None => Ok(()),
        Some(there) => Err(Failure::usage(
            format!("{} is there already", there.display()),
            "write it anew with --force, or name another folder with --out",
        )),
    }
}

/// Says the document's first line, where its files are, and opens the first one where that is asked.
pub(crate) fn show(answer: Option<&String>, files: &[PathBuf], is_opened: bool) -> Result<(), Failure> {
    if let Some(answer) = answer {
        eprintln!("{answer}");
    }
    for file in files {
        println!("{}", file.display());
    }
    match files.first() {
        Some(first) if is_opened => opener::open(first).map_err(|source| Failure::Failed {
            doing: "could not open the file".to_owned(),
            source: Box::new(source),
            hint: Some(format!("open {} yourself", first.display())),
        }),
        _ => Ok(()),
    }
}

/// Whether the site file says in its first line that everything is made up, as the simulation writes it.
pub(crate) fn is_invented(site: &Site) -> bool {
    const MARK: &str = "# Invented data";
    fs_err::read_to_string(&site.file).is_ok_and(|source| source.starts_with(MARK))
}
