//! How often findings about sensors are right, on simulated sites with known faults.
//!
//! `cargo bench --workspace --bench detection -- 1 20` judges the sites of the seeds 1 to 20 week by week, each with nothing later
//! than its end, and prints recall and delay by fault, false findings, and how good the stated bias is. Further words:
//!
//! - `rated`: the same rooms with faults of the sizes that are asked for, one in each enclosure, looked at after 1, 3, 7, 14, 28 days;
//! - `sits`: the same rooms with probes that sit badly (wet, slow, in the lamp's light), and what is remarked of them;
//! - `alone`: all but the first sensor of each enclosure taken away;
//! - `well`: the same rooms without any fault, with all that keepers do;
//! - `received`: readings as a collector stored them; without it, as an import of the devices' own times gives them;
//! - `list`: every fault with what was said of it, and every false finding with its words.
//!
//! A fault counts as found when a finding of its kind (or of one that the truth accepts beside it) names its subject. A finding about
//! a sensor is false where no fault of that sensor in the week explains it. A healthy sensor-week is one of a sensor that has had no
//! fault until its end; a wrong blame that is repeated every week counts every week.

mod looks;
mod sits;
mod tally;

use looks::Watched;
use mosswarden_analysis::simulate::{holdout, run};
use tally::Tally;

/// Sites are independent, so they are judged on as many threads as the reference machine has cores.
const THREAD_COUNT: u64 = 2;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let has = |word: &str| arguments.iter().any(|argument| argument == word);
    let numbers: Vec<u64> = arguments
        .iter()
        .filter_map(|argument| argument.parse().ok())
        .collect();
    let (first, last) = (
        numbers.first().copied().unwrap_or(1),
        numbers.get(1).copied().unwrap_or(10),
    );
    let (rated, well, received) = (has("rated"), has("well"), has("received"));
    if has("sits") {
        let of_site = |seed| sits::Tally::of(&Watched::new(seed, run(&holdout::sitting(seed)), received));
        let all = on_threads((first, last), of_site);
        let mut sum = sits::Tally::default();
        all.into_iter().for_each(|tally| sum.add(tally));
        sum.print(has("list"));
        return;
    }
    let judge = |seed: u64| {
        let mut spec = if rated {
            holdout::rated(seed)
        } else {
            holdout::holdout(seed)
        };
        if well {
            spec.faults.clear();
        }
        let mut watched = Watched::new(seed, run(&spec), received);
        if has("alone") {
            watched.leave_alone();
        }
        let mut tally = Tally::default();
        tally.site(&watched);
        tally
    };
    let mut all = Tally::default();
    on_threads((first, last), judge)
        .into_iter()
        .for_each(|tally| all.add(tally));
    all.print(has("list"));
}

/// What `judge` gives for each seed, in their order.
fn on_threads<T: Send>((first, last): (u64, u64), judge: impl Fn(u64) -> T + Sync) -> Vec<T> {
    let mut of_seeds: Vec<(u64, T)> = std::thread::scope(|scope| {
        let judge = &judge;
        let workers: Vec<_> = (0..THREAD_COUNT)
            .map(|worker| {
                scope.spawn(move || {
                    (first + worker..=last)
                        .step_by(THREAD_COUNT as usize)
                        .map(|seed| (seed, judge(seed)))
                        .collect::<Vec<_>>()
                })
            })
            .collect();
        workers
            .into_iter()
            .flat_map(|worker| worker.join().expect("a site can be judged"))
            .collect()
    });
    of_seeds.sort_by_key(|(seed, _)| *seed);
    of_seeds.into_iter().map(|(_, of_seed)| of_seed).collect()
}
