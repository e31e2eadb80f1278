//! Tests that break the disk: "acknowledged means on disk; after any crash, each acknowledged reading is in the archive, once".
//!
//! Each operation in turn fails (outright, half done, done and reported as failed) or is the last before a power cut, which drops what
//! was not synced, as far as chance has it (`sim_disk`, `life`). `daemon` breaks the disk and the clock under a whole running collector.

pub(crate) mod daemon;
mod life;
mod sim_disk;
mod sim_store;

use mosswarden_config::table;

use crate::disk::Disk;
use crate::months;
use life::{Archive, Run, commit};
use sim_disk::Fault;

fn clean_operations(archive: Archive) -> u64 {
    let mut run = Run::new(None, archive);
    run.live(0);
    run.check("no fault");
    let months = months::months(&*run.seen(), &run.site.data_dir).expect("the disk is well");
    assert_eq!(months.len(), 1, "a month was made: {months:?}");
    run.disk.operations()
}

fn every_operation(fault: Fault, seeds: u64, archive: Archive) -> u64 {
    let operations = clean_operations(archive);
    assert!(
        operations > 150,
        "the life is too short to prove anything: {operations} operations"
    );
    for at in 1..=operations {
        for seed in 0..seeds {
            let mut run = Run::new(Some((at, fault)), archive);
            run.live(seed);
            run.check(&format!(
                "{fault:?} at operation {at} of {operations}, seed {seed}"
            ));
        }
    }
    operations * seeds
}

#[test]
fn each_operation_fails_outright() {
    println!("{} lives", every_operation(Fault::Outright, 1, Archive::Folder));
}

#[test]
fn each_operation_is_cut_in_half() {
    println!("{} lives", every_operation(Fault::Half, 1, Archive::Folder));
}

#[test]
fn each_operation_is_done_and_reported_as_failed() {
    println!("{} lives", every_operation(Fault::DoneAll, 1, Archive::Folder));
}

#[test]
fn the_power_goes_at_each_operation() {
    println!("{} lives", every_operation(Fault::PowerCut, 6, Archive::Folder));
}

/// The same with the archive in a bucket: each operation of the disk and each request to the bucket in turn.
#[test]
fn a_bucket_and_the_disk_beside_it_fail_at_each_operation() {
    for (fault, seeds) in [(Fault::Outright, 1), (Fault::DoneAll, 1), (Fault::PowerCut, 2)] {
        println!("{} lives", every_operation(fault, seeds, Archive::Bucket));
    }
}

/// A disk that stays full: nothing is acknowledged, nothing piles up, and it goes on by itself.
#[test]
fn a_full_disk_is_waited_for() {
    let mut run = Run::new(None, Archive::Folder);
    let which = run.new_messages(0);
    run.send(&which, 0);
    let more = run.new_messages(1);
    let (store, _) = run.collector.as_ref().expect("it runs");
    let mut store = store.lock().expect("no panic");
    let mut batch = store.judge(more.iter().map(|index| run.sent[*index].0.clone()));
    run.disk.world().is_dead = true;
    for _ in 0..100 {
        assert!(store.commit(&mut batch).is_err());
    }
    run.disk.world().is_dead = false;
    assert!(commit(&mut store, &mut batch));
    drop(store);
    more.iter().for_each(|index| run.sent[*index].1 = true);
    let spool_files = run
        .disk
        .list(&table::spool_dir(&run.site.data_dir))
        .expect("well");
    assert!(spool_files.len() <= 3, "{spool_files:?}");
    run.publish(0);
    run.check("after a full disk");
}

/// Bytes that went bad on the disk cost their own frame, are set aside, and stop nothing.
#[test]
fn a_damaged_frame_is_set_aside_and_the_rest_goes_on() {
    let mut run = Run::new(None, Archive::Folder);
    for batch in 0..3 {
        let which = run.new_messages(batch);
        run.send(&which, 0);
    }
    run.collector = None;
    let dir = table::spool_dir(&run.site.data_dir);
    let name = run.disk.list(&dir).expect("well").remove(0);
    {
        let mut world = run.disk.world();
        let inode = world.inode(&dir.join(&name)).expect("the segment");
        let content = world.contents.get_mut(&inode).expect("named");
        let place = content
            .current
            .windows(5)
            .position(|bytes| bytes == b"\"t\": ")
            .expect("the first message");
        content.current[place] ^= 1;
    }
    assert!(run.open());
    assert!(
        run.disk
            .list(&dir)
            .expect("well")
            .iter()
            .any(|name| name.starts_with("damaged-"))
    );
    run.publish(0);
    let damaged = run.sent.remove(0);
    assert!(damaged.1, "it was acknowledged: this is what a bad disk can cost");
    run.check("without the damaged one");
}
