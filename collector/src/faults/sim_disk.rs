//! A disk in memory that keeps apart what was written and what is durable, and on which any one operation can fail.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::disk::{Disk, DiskFile, FileBytes};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fault {
    /// Nothing happens and an error is given.
    Outright,
    /// A write is cut in half, everything else fails outright.
    Half,
    /// It happens and an error is given.
    DoneAll,
    /// The power goes: this and everything after it fails.
    PowerCut,
}

#[derive(Default)]
pub(super) struct World {
    pub(super) contents: BTreeMap<u64, Content>,
    names: BTreeMap<PathBuf, u64>,
    durable_names: BTreeMap<PathBuf, u64>,
    dirs: BTreeSet<PathBuf>,
    /// Changes of names that are not durable yet, in order.
    pending: Vec<NameChange>,
    next: u64,
    operations: u64,
    pub(super) fault: Option<(u64, Fault)>,
    pub(super) is_dead: bool,
}

#[derive(Default, Clone)]
pub(super) struct Content {
    pub(super) current: Vec<u8>,
    durable: Vec<u8>,
    /// A sync failed: what was written before it will never become durable.
    is_poisoned: bool,
}

#[derive(Clone)]
struct NameChange {
    dir: PathBuf,
    removed: Option<PathBuf>,
    added: Option<(PathBuf, u64)>,
}

impl NameChange {
    fn apply(&self, names: &mut BTreeMap<PathBuf, u64>) {
        if let Some(removed) = &self.removed {
            names.remove(removed);
        }
        if let Some((path, inode)) = &self.added {
            names.insert(path.clone(), *inode);
        }
    }
}

#[derive(Clone, Default)]
pub(super) struct SimDisk(Arc<Mutex<World>>);

struct SimFile {
    disk: SimDisk,
    inode: u64,
    /// Where what was appended ends; zeros may follow.
    end: usize,
}

/// What an operation is to do.
pub(super) enum Verdict {
    Go,
    Fail,
    Half,
    GoAndFail,
}

fn broken() -> io::Error {
    io::Error::other("injected")
}

fn not_found() -> io::Error {
    io::Error::from(io::ErrorKind::NotFound)
}

impl World {
    pub(super) fn next_operation(&mut self) -> Verdict {
        self.operations += 1;
        if self.is_dead {
            return Verdict::Fail;
        }
        match self.fault {
            Some((at, fault)) if at == self.operations => match fault {
                Fault::Outright => Verdict::Fail,
                Fault::Half => Verdict::Half,
                Fault::DoneAll => Verdict::GoAndFail,
                Fault::PowerCut => {
                    self.is_dead = true;
                    Verdict::Half
                }
            },
            _ => Verdict::Go,
        }
    }

    fn change(&mut self, path: &Path, removed: Option<PathBuf>, added: Option<(PathBuf, u64)>) {
        let change = NameChange {
            dir: path.parent().expect("a folder").to_owned(),
            removed,
            added,
        };
        change.apply(&mut self.names);
        self.pending.push(change);
    }

    pub(super) fn inode(&self, path: &Path) -> io::Result<u64> {
        self.names.get(path).copied().ok_or_else(not_found)
    }

    fn create(&mut self, path: &Path) -> u64 {
        match self.names.get(path) {
            Some(inode) => {
                self.contents.entry(*inode).or_default().current.clear();
                *inode
            }
            None => {
                self.next += 1;
                let inode = self.next;
                self.contents.insert(inode, Content::default());
                self.change(path, None, Some((path.to_owned(), inode)));
                inode
            }
        }
    }
}

impl SimDisk {
    pub(super) fn world(&self) -> MutexGuard<'_, World> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn simple<T>(&self, work: impl FnOnce(&mut World) -> io::Result<T>) -> io::Result<T> {
        let mut world = self.world();
        match world.next_operation() {
            Verdict::Go => work(&mut world),
            Verdict::GoAndFail => work(&mut world).and(Err(broken())),
            Verdict::Fail | Verdict::Half => Err(broken()),
        }
    }

    pub(super) fn set_fault(&self, at: u64, fault: Fault) {
        self.world().fault = Some((at, fault));
    }

    pub(super) fn operations(&self) -> u64 {
        self.world().operations
    }

    /// The power comes back: of what was not durable, chance keeps a part.
    pub(super) fn power_up(&self, seed: u64) {
        let mut chance = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
        let mut draw = move |below: usize| {
            // Xorshift: enough to cover prefixes.
            chance ^= chance << 13;
            chance ^= chance >> 7;
            chance ^= chance << 17;
            (chance % (below as u64 + 1)) as usize
        };
        let mut world = self.world();
        let kept = draw(world.pending.len());
        let mut names = world.durable_names.clone();
        world
            .pending
            .iter()
            .take(kept)
            .for_each(|change| change.apply(&mut names));
        for content in world.contents.values_mut() {
            let mut after = content.durable.clone();
            // Of what was written since, at the end or over zeros, a first part.
            let same = after
                .iter()
                .zip(&content.current)
                .take_while(|(a, b)| a == b)
                .count();
            if content.current.len() >= after.len() && after[same..].iter().all(|byte| *byte == 0) {
                let until = same + draw(content.current.len() - same);
                after.resize(after.len().max(until), 0);
                after[same..until].copy_from_slice(&content.current[same..until]);
            }
            *content = Content {
                current: after.clone(),
                durable: after,
                is_poisoned: false,
            };
        }
        world.names = names.clone();
        world.durable_names = names;
        world.pending.clear();
        world.fault = None;
        world.is_dead = false;
    }
}

impl DiskFile for SimFile {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut world = self.disk.world();
        let (written, result) = match world.next_operation() {
            Verdict::Go => (bytes.len(), Ok(())),
            Verdict::Half => (bytes.len() / 2, Err(broken())),
            Verdict::GoAndFail => (bytes.len(), Err(broken())),
            Verdict::Fail => (0, Err(broken())),
        };
        let content = world.contents.get_mut(&self.inode).expect("opened");
        let until = self.end + written;
        if content.current.len() < until {
            content.current.resize(until, 0);
        }
        content.current[self.end..until].copy_from_slice(&bytes[..written]);
        self.end = until;
        result
    }

    fn reserve(&mut self, bytes: u64) -> io::Result<()> {
        let until = self.end + usize::try_from(bytes).expect("small");
        self.disk.simple(|world| {
            let content = world.contents.get_mut(&self.inode).expect("opened");
            content.current.resize(until, 0);
            Ok(())
        })
    }

    fn sync(&mut self) -> io::Result<()> {
        let mut world = self.disk.world();
        let verdict = world.next_operation();
        let content = world.contents.get_mut(&self.inode).expect("opened");
        match verdict {
            Verdict::Go if content.is_poisoned => Ok(()),
            Verdict::Go => {
                content.durable = content.current.clone();
                Ok(())
            }
            Verdict::GoAndFail => {
                content.durable = content.current.clone();
                Err(broken())
            }
            Verdict::Fail | Verdict::Half => {
                content.is_poisoned = true;
                Err(broken())
            }
        }
    }
}

/// What a file held when it was opened: our own never write into a file that is being read.
struct SimBytes {
    disk: SimDisk,
    bytes: Vec<u8>,
}

impl FileBytes for SimBytes {
    fn len(&self) -> u64 {
        self.bytes.len() as u64
    }

    fn read_at(&self, start: u64, length: usize) -> io::Result<Vec<u8>> {
        self.disk.simple(|_| {
            let start = usize::try_from(start).expect("small");
            let part = self.bytes.get(start..start + length);
            Ok(part.ok_or(io::ErrorKind::UnexpectedEof)?.to_vec())
        })
    }
}

impl Disk for SimDisk {
    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let inode = self.simple(|world| Ok(world.create(path)))?;
        Ok(Box::new(SimFile {
            disk: self.clone(),
            inode,
            end: 0,
        }))
    }

    fn open_append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let inode = self.simple(|world| match world.names.get(path) {
            Some(inode) => Ok(*inode),
            None => Ok(world.create(path)),
        })?;
        let end = self.world().contents[&inode].current.len();
        Ok(Box::new(SimFile {
            disk: self.clone(),
            inode,
            end,
        }))
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        self.simple(|world| Ok(world.contents[&world.inode(path)?].current.clone()))
    }

    fn open_read(&self, path: &Path) -> io::Result<Box<dyn FileBytes>> {
        let bytes = self.simple(|world| Ok(world.contents[&world.inode(path)?].current.clone()))?;
        Ok(Box::new(SimBytes {
            disk: self.clone(),
            bytes,
        }))
    }

    fn len(&self, path: &Path) -> io::Result<u64> {
        self.simple(|world| Ok(world.contents[&world.inode(path)?].current.len() as u64))
    }

    fn truncate(&self, path: &Path, len: u64) -> io::Result<()> {
        self.simple(|world| {
            let inode = world.inode(path)?;
            let content = world.contents.get_mut(&inode).expect("named");
            let len = usize::try_from(len).expect("small");
            content.current.truncate(len);
            // What a poisoned file had not synced is not made durable by this either, but the caller cuts it off.
            content.durable = content.current.clone();
            Ok(())
        })
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.simple(|world| {
            let inode = world.inode(from)?;
            world.change(to, Some(from.to_owned()), Some((to.to_owned(), inode)));
            Ok(())
        })
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.simple(|world| {
            world.inode(path)?;
            world.change(path, Some(path.to_owned()), None);
            Ok(())
        })
    }

    fn remove_dir(&self, _: &Path) -> io::Result<()> {
        self.simple(|_| Ok(()))
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        self.simple(|world| {
            let files = world.names.keys().filter(|path| path.parent() == Some(dir));
            let dirs = world.dirs.iter().filter(|path| path.parent() == Some(dir));
            let mut names: Vec<String> = files
                .chain(dirs)
                .map(|path| path.file_name().expect("a name").to_string_lossy().into_owned())
                .collect();
            names.sort();
            Ok(names)
        })
    }

    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        self.simple(|world| {
            world.dirs.insert(dir.to_owned());
            Ok(())
        })
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        self.simple(|world| {
            let (durable, pending) = std::mem::take(&mut world.pending)
                .into_iter()
                .partition(|change| change.dir == dir);
            world.pending = pending;
            let durable: Vec<NameChange> = durable;
            durable
                .iter()
                .for_each(|change| change.apply(&mut world.durable_names));
            Ok(())
        })
    }
}
