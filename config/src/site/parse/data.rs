//! Where the archive lies: a folder, or a bucket of an object store with a folder beside it.

use std::path::{Path, PathBuf};

use super::*;

const DATA_DIR: &str = "data_dir";
const LOCAL_DIR: &str = "local_dir";
pub(super) const KEYS: [&str; 2] = [DATA_DIR, LOCAL_DIR];

/// The folder on this machine, and the bucket where one is named.
pub(super) fn data(
    reader: &mut Reader<'_>,
    head: Option<&Section<'_, '_>>,
    base: &Path,
) -> (PathBuf, Option<Bucket>) {
    let folder = |name: Option<String>| base.join(name.as_deref().unwrap_or("data"));
    let Some(head) = head else {
        return (folder(None), None);
    };
    let written = reader.text(head, DATA_DIR);
    let local = reader.text(head, LOCAL_DIR);
    match written.as_deref().map(ArchivePlace::from_text) {
        Some(Ok(ArchivePlace::Bucket(bucket))) => return (folder(local), Some(bucket)),
        Some(Err(why)) => refuse(reader, head, DATA_DIR, why),
        Some(Ok(ArchivePlace::Folder(_))) | None if local.is_some() => {
            let why = "goes with a bucket in `data_dir`; here `data_dir` is a folder";
            refuse(reader, head, LOCAL_DIR, why);
        }
        Some(Ok(ArchivePlace::Folder(_))) | None => {}
    }
    (folder(written), None)
}

fn refuse(reader: &mut Reader<'_>, head: &Section<'_, '_>, key: &str, why: &str) {
    reader.problem(
        &head.key_span(key),
        format!("`{key}` {why}"),
        Some(
            "write data_dir = \"data\", or data_dir = \"s3://bucket/rooms/harbour\" and local_dir = \"data\""
                .to_owned(),
        ),
    );
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use crate::site::{Bucket, Site};

    fn site(keys: &str) -> Result<Site, String> {
        let text = format!("[site]\nname = \"room\"\ntimezone = \"UTC\"\n{keys}\n");
        Site::from_source(Path::new("home/site.toml"), &text)
            .map_err(|problems| problems.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn a_folder_or_a_bucket_with_a_folder_beside_it() {
        let of = |keys| {
            let site = site(keys).expect("sound");
            (site.data_dir, site.bucket)
        };
        let bucket = |prefix: &str| {
            Some(Bucket {
                name: "rooms".to_owned(),
                prefix: prefix.to_owned(),
            })
        };
        let folder = |name| Path::new("home").join(name);
        assert_eq!(of(""), (folder("data"), None));
        assert_eq!(of("data_dir = \"kept\""), (folder("kept"), None));
        assert_eq!(of("data_dir = \"s3://rooms\""), (folder("data"), bucket("")));
        assert_eq!(
            of("data_dir = \"s3://rooms/harbour/north/\"\nlocal_dir = \"here\""),
            (folder("here"), bucket("harbour/north"))
        );
    }

    #[test]
    fn what_is_neither_is_refused_with_its_line() {
        for (keys, why) in [
            ("data_dir = \"s3:///rooms\"", "names no bucket"),
            ("data_dir = \"s3://rooms/../other\"", "names no bucket"),
            ("data_dir = \"ftp://rooms\"", "neither a folder nor a bucket"),
            ("data_dir = \"data\"\nlocal_dir = \"here\"", "goes with a bucket"),
        ] {
            let said = site(keys).expect_err("refused");
            assert!(said.contains(why) && said.contains("site.toml:"), "{said}");
        }
    }
}
