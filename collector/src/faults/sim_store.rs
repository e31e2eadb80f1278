//! A bucket in memory, whose requests count as operations of the disk beside it and fail as they do.

use std::fmt;
use std::sync::Arc;

use futures_util::stream::{BoxStream, StreamExt as _};
use mosswarden_config::site::Bucket;
use object_store::memory::InMemory;
use object_store::path::Path;
use object_store::{
    CopyOptions, Error, GetOptions, GetResult, ListResult, MultipartUpload, ObjectMeta, ObjectStore,
    ObjectStoreExt as _, PutMultipartOptions, PutOptions, PutPayload, PutResult, Result,
};

use super::sim_disk::{SimDisk, Verdict};
use crate::bucket::Client;

#[derive(Clone)]
pub(super) struct SimStore {
    disk: SimDisk,
    objects: Arc<InMemory>,
}

impl SimStore {
    pub(super) fn beside(disk: &SimDisk) -> SimStore {
        SimStore {
            disk: disk.clone(),
            objects: Arc::new(InMemory::new()),
        }
    }

    pub(super) fn client(&self) -> Client {
        let bucket = Bucket {
            name: "rooms".to_owned(),
            prefix: "harbour".to_owned(),
        };
        Client::on(Arc::new(self.clone()), &bucket).expect("threads can be started")
    }

    /// Whether a request is carried out, and whether its answer arrives.
    fn verdict(&self) -> (bool, Result<()>) {
        let lost = || {
            Err(Error::Generic {
                store: "simulated",
                source: "injected".into(),
            })
        };
        match self.disk.world().next_operation() {
            Verdict::Go => (true, Ok(())),
            Verdict::GoAndFail => (true, lost()),
            Verdict::Fail | Verdict::Half => (false, lost()),
        }
    }

    /// Requests that change nothing.
    fn look(&self) -> Result<()> {
        self.verdict().1
    }
}

impl fmt::Display for SimStore {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a bucket in memory")
    }
}

impl fmt::Debug for SimStore {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

#[async_trait::async_trait]
impl ObjectStore for SimStore {
    async fn put_opts(&self, at: &Path, payload: PutPayload, how: PutOptions) -> Result<PutResult> {
        let (is_done, answer) = self.verdict();
        if is_done {
            let put = self.objects.put_opts(at, payload, how).await;
            answer.and(put)
        } else {
            Err(answer.expect_err("nothing was done"))
        }
    }

    async fn put_multipart_opts(
        &self,
        at: &Path,
        how: PutMultipartOptions,
    ) -> Result<Box<dyn MultipartUpload>> {
        self.look()?;
        self.objects.put_multipart_opts(at, how).await
    }

    async fn get_opts(&self, at: &Path, how: GetOptions) -> Result<GetResult> {
        self.look()?;
        self.objects.get_opts(at, how).await
    }

    fn delete_stream(&self, paths: BoxStream<'static, Result<Path>>) -> BoxStream<'static, Result<Path>> {
        let store = self.clone();
        let removed = paths.then(move |path| {
            let store = store.clone();
            async move {
                let path = path?;
                let (is_done, answer) = store.verdict();
                if is_done {
                    // S3 says nothing of an object that is not there.
                    let _absent = store.objects.delete(&path).await;
                }
                answer.map(|()| path)
            }
        });
        removed.boxed()
    }

    fn list(&self, prefix: Option<&Path>) -> BoxStream<'static, Result<ObjectMeta>> {
        match self.look() {
            Ok(()) => self.objects.list(prefix),
            Err(error) => futures_util::stream::once(async { Err(error) }).boxed(),
        }
    }

    async fn list_with_delimiter(&self, prefix: Option<&Path>) -> Result<ListResult> {
        self.look()?;
        self.objects.list_with_delimiter(prefix).await
    }

    async fn copy_opts(&self, from: &Path, to: &Path, how: CopyOptions) -> Result<()> {
        self.objects.copy_opts(from, to, how).await
    }
}
