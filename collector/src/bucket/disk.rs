//! A disk whose readings and daily figures are in a bucket; everything else is on this machine.
//!
//! Files that are being written are nameless files on this machine until they are renamed into place: then they are sent, and the
//! bucket shows them whole or not at all. A name that others than who tidies write is never replaced: the bucket itself refuses it.

use std::any::Any;
use std::collections::HashMap;
use std::fs::File;
use std::io::{self, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use bytes::Bytes;
use chrono::{SecondsFormat, Utc};
use mosswarden_config::site::Bucket;
use mosswarden_config::table;
use sha2::{Digest as _, Sha256};

use super::{Client, PART_BYTES, Put};
use crate::compact;
use crate::disk::{Disk, DiskFile, FileBytes, RealBytes, RealDisk};

/// The object that says who tidies.
const TIDYING: &str = "tidying";
/// Says on this machine which collector this is, so that one that was killed while it tidied knows its own mark again.
const ID_FILE: &str = "bucket-id";

/// See the module.
pub(crate) struct BucketDisk {
    client: Arc<Client>,
    /// For everything that is not of the bucket.
    local: Arc<dyn Disk>,
    data_dir: PathBuf,
    /// Where nameless files lie on their way.
    scratch_dir: PathBuf,
    /// Files that are being written, by the name that they were begun under.
    unfinished: Mutex<HashMap<PathBuf, File>>,
}

impl BucketDisk {
    pub(crate) fn new(bucket: &Bucket, data_dir: &Path) -> io::Result<BucketDisk> {
        Ok(BucketDisk::on(
            Client::of(bucket)?,
            Arc::new(RealDisk),
            data_dir,
            data_dir,
        ))
    }

    /// The same with any store and any disk beside it.
    pub(crate) fn on(
        client: Client,
        local: Arc<dyn Disk>,
        data_dir: &Path,
        scratch_dir: &Path,
    ) -> BucketDisk {
        BucketDisk {
            client: Arc::new(client),
            local,
            data_dir: data_dir.to_owned(),
            scratch_dir: scratch_dir.to_owned(),
            unfinished: Mutex::default(),
        }
    }

    /// The object's name, if the path is of the bucket.
    fn name(&self, path: &Path) -> Option<String> {
        let relative = path.strip_prefix(&self.data_dir).ok()?;
        let is_stored = [
            table::readings_dir(Path::new("")),
            table::summaries_dir(Path::new("")),
        ]
        .iter()
        .any(|dir| relative.starts_with(dir));
        let parts: Option<Vec<&str>> = relative.iter().map(|part| part.to_str()).collect();
        parts.filter(|_| is_stored).map(|parts| parts.join("/"))
    }

    fn unfinished(&self) -> std::sync::MutexGuard<'_, HashMap<PathBuf, File>> {
        self.unfinished.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn send(&self, mut file: File, from: &Path, name: &str) -> io::Result<()> {
        let begun_as = from.file_name().unwrap_or_default().to_string_lossy();
        let how = match compact::is_of_tidying(&begun_as) || name.starts_with(table::SUMMARIES) {
            true => Put::Replace,
            false => Put::New,
        };
        file.seek(SeekFrom::Start(0))?;
        let len = file.metadata()?.len();
        let mut next = || {
            let mut piece = Vec::new();
            (&mut file).take(PART_BYTES as u64).read_to_end(&mut piece)?;
            Ok(Bytes::from(piece))
        };
        if len <= PART_BYTES as u64 {
            return self.client.put(name, next()?, how);
        }
        // What is sent in parts can't be made to depend on the name being free; imports, who alone send so much, bear names of their content.
        if how == Put::New {
            self.client.refuse_what_is_there(name)?;
        }
        self.client.put_in_parts(name, next)
    }

    /// Which collector this is: made once for a folder.
    fn id(&self) -> io::Result<String> {
        let file = self.data_dir.join(ID_FILE);
        match self.local.read(&file) {
            Ok(id) => return Ok(String::from_utf8_lossy(&id).into_owned()),
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return Err(error),
        }
        let now = Utc::now().to_rfc3339_opts(SecondsFormat::Nanos, true);
        let digest = Sha256::digest(format!(
            "{} {now} {}",
            self.data_dir.display(),
            std::process::id()
        ));
        let id: String = digest.iter().take(8).map(|byte| format!("{byte:02x}")).collect();
        crate::disk::put(&*self.local, &file, id.as_bytes())?;
        Ok(id)
    }
}

/// The mark in the bucket; taken away when this goes.
struct Mark(Arc<Client>);

impl Drop for Mark {
    fn drop(&mut self) {
        if let Err(error) = self.0.remove(TIDYING) {
            tracing::warn!(%error, "the mark of tidying stays in the bucket; this collector takes it up again");
        }
    }
}

/// A file on this machine on its way into the bucket.
struct Outgoing(File);

impl DiskFile for Outgoing {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.write_all(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        // It is durable once the bucket has it.
        Ok(())
    }
}

fn unsupported(what: &str) -> io::Error {
    io::Error::new(
        io::ErrorKind::Unsupported,
        format!("objects of a bucket can't be {what}"),
    )
}

impl Disk for BucketDisk {
    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        if self.name(path).is_none() {
            return self.local.create(path);
        }
        let file = tempfile::tempfile_in(&self.scratch_dir)?;
        self.unfinished().insert(path.to_owned(), file.try_clone()?);
        Ok(Box::new(Outgoing(file)))
    }

    fn open_append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        match self.name(path) {
            Some(_) => Err(unsupported("appended to")),
            None => self.local.open_append(path),
        }
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        match self.name(path) {
            Some(name) => Ok(self.client.get(&name)?.into()),
            None => self.local.read(path),
        }
    }

    fn open_read(&self, path: &Path) -> io::Result<Box<dyn FileBytes>> {
        let Some(name) = self.name(path) else {
            return self.local.open_read(path);
        };
        let mut file = tempfile::tempfile_in(&self.scratch_dir)?;
        file.write_all(&self.client.get(&name)?)?;
        Ok(Box::new(RealBytes::new(file)?))
    }

    fn len(&self, path: &Path) -> io::Result<u64> {
        match self.name(path) {
            Some(name) => Ok(self.client.head(&name)?.size),
            None => self.local.len(path),
        }
    }

    fn truncate(&self, path: &Path, len: u64) -> io::Result<()> {
        match self.name(path) {
            Some(_) => Err(unsupported("cut")),
            None => self.local.truncate(path, len),
        }
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        match (self.name(from), self.name(to)) {
            (None, None) => self.local.rename(from, to),
            (Some(_), Some(name)) => {
                let file = self.unfinished().remove(from);
                self.send(file.ok_or(io::ErrorKind::NotFound)?, from, &name)
            }
            // Set aside: out of the archive, onto this machine.
            (Some(name), None) => {
                crate::disk::put(&*self.local, to, &self.client.get(&name)?)?;
                self.client.remove(&name)
            }
            (None, Some(_)) => Err(unsupported("made of a file that stands elsewhere")),
        }
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        match self.name(path) {
            Some(name) => self.client.remove(&name),
            None => self.local.remove(path),
        }
    }

    fn remove_dir(&self, dir: &Path) -> io::Result<()> {
        match self.name(dir) {
            // A folder of a bucket is there as long as it holds something.
            Some(_) => Ok(()),
            None => self.local.remove_dir(dir),
        }
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        match self.name(dir) {
            Some(name) => self.client.list(&name),
            None => self.local.list(dir),
        }
    }

    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        match self.name(dir) {
            Some(_) => Ok(()),
            None => self.local.create_dir(dir),
        }
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        match self.name(dir) {
            Some(_) => Ok(()),
            None => self.local.sync_dir(dir),
        }
    }

    fn tidy_alone(&self) -> io::Result<Option<Box<dyn Any + Send>>> {
        let id = self.id()?;
        let said = format!(
            "{id} since {}",
            Utc::now().to_rfc3339_opts(SecondsFormat::Secs, true)
        );
        match self.client.put(TIDYING, said.clone().into(), Put::New) {
            Ok(()) => self.client.refuses_what_is_there(TIDYING, said.into())?,
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                let holder = self.client.get(TIDYING)?;
                let holder = String::from_utf8_lossy(&holder).into_owned();
                if !holder.starts_with(&id) {
                    tracing::info!(
                        holder,
                        hint =
                            "if that collector is gone for good, remove the object `tidying` from the bucket",
                        "another collector tidies the bucket"
                    );
                    return Ok(None);
                }
                // Left by this collector when it was killed.
            }
            Err(error) => return Err(error),
        }
        Ok(Some(Box::new(Mark(Arc::clone(&self.client)))))
    }
}
