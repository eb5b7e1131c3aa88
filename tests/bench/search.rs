//! The bench of the search for the best script, on problems shaped like ordinary and hard keybooks.
//!
//! `search measure ORDINARY HARD` prints, as JSON, how long the search takes and what it proves. `search write FOLDER
//! COUNT` writes as many problems of each sort for another planner, with the costs it should find, and prints what the
//! search takes for each. `tests/bench/run search` does both and prints a table.

#[allow(dead_code)]
#[path = "../planner/pddl.rs"]
mod pddl;
#[allow(dead_code)]
#[path = "../reference/mod.rs"]
mod reference;

use std::fs;
use std::path::Path;
use std::process::ExitCode;
use std::time::Instant;

use reference::keybooks::{Start, crowded, hard, ordinary};
use serde_json::{Value as Json, json};
use stationkeep::script;
use stationkeep::script::problem::{Cost, Problem};
use stationkeep::script::search::{Answer, Budget, find};

/// Most actions that a problem may become for the other planner, whose translator takes seconds for thousands.
const MOST_ACTIONS: usize = 1_000;

fn main() -> ExitCode {
    // `cargo bench` adds a word of its own.
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["measure", ordinaries, hards] => match (ordinaries.parse(), hards.parse()) {
            (Ok(ordinaries), Ok(hards)) => println!("{}", measure(ordinaries, hards)),
            (Err(_), _) | (_, Err(_)) => return usage(),
        },
        ["write", folder, count] => match count.parse() {
            Ok(count) => println!("{}", write(Path::new(folder), count)),
            Err(_) => return usage(),
        },
        [] => println!("This one is run by tests/bench/run search."),
        _ => return usage(),
    }
    ExitCode::SUCCESS
}

fn usage() -> ExitCode {
    eprintln!("usage: search measure ORDINARY HARD | search write FOLDER COUNT");
    ExitCode::from(2)
}

/// The answer, and the microseconds it took: the best of a few runs, for other programs take their turns too.
fn timed(problem: &Problem, runs: usize) -> (Answer, f64) {
    let run = || {
        let began = Instant::now();
        let answer = find(problem, &Budget::default()).expect("well formed");
        (answer, began.elapsed().as_secs_f64() * 1e6)
    };
    (1..runs).fold(run(), |best, _| {
        let next = run();
        if next.1 < best.1 { next } else { best }
    })
}

fn measure(ordinaries: u64, hards: u64) -> Json {
    let mut groups = vec![Group::of(3, (0..ordinaries).map(ordinary)).told("ordinary")];
    let (mut all, mut many) = (Group::default(), Group::default());
    for (start, word) in [(Start::Known, "known"), (Start::Mixed, "mixed"), (Start::Unknown, "unknown")] {
        let group = Group::of(2, (0..hards).map(|seed| hard(seed, start)));
        groups.push(group.told(&format!("hard, {word}")));
        all.add(group);
        let group = Group::of(2, (0..hards).map(|seed| crowded(seed, start)));
        groups.push(group.told(&format!("five to eight lifelines, {word}")));
        many.add(group);
    }
    groups.push(all.told("hard, all"));
    groups.push(many.told("five to eight lifelines, all"));
    json!({ "groups": groups, "peak_kib": peak_kib() })
}

/// What became of problems, and the microseconds that each took.
#[derive(Default)]
struct Group {
    times: Vec<f64>,
    proven: usize,
    none: usize,
    unproven: usize,
    nothing: usize,
}

impl Group {
    fn of(runs: usize, problems: impl Iterator<Item = Problem>) -> Self {
        let mut group = Self::default();
        for problem in problems {
            let (answer, took) = timed(&problem, runs);
            match answer {
                Answer::Best(best) if best.proven => group.proven += 1,
                Answer::Best(_) => group.unproven += 1,
                Answer::Unsolvable(_) => group.none += 1,
                Answer::GaveUp { .. } => group.nothing += 1,
            }
            group.times.push(took);
        }
        group
    }

    fn add(&mut self, other: Self) {
        self.times.extend(other.times);
        self.proven += other.proven;
        self.none += other.none;
        self.unproven += other.unproven;
        self.nothing += other.nothing;
    }

    fn told(&self, name: &str) -> Json {
        let mut times = self.times.clone();
        times.sort_by(f64::total_cmp);
        let at = |share: f64| times.get((times.len().saturating_sub(1) as f64 * share) as usize).copied();
        json!({
            "name": name,
            "problems": times.len(),
            "a_second": times.len() as f64 / times.iter().sum::<f64>() * 1e6,
            "median_us": at(0.5),
            "p99_us": at(0.99),
            "proven": self.proven,
            "none": self.none,
            "unproven": self.unproven,
            "nothing": self.nothing,
        })
    }
}

/// The most memory this process has had, KiB, as Linux counts it.
fn peak_kib() -> u64 {
    let status = fs::read_to_string("/proc/self/status").expect("Linux tells");
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("a peak");
    line.trim().trim_end_matches(" kB").parse().expect("a number")
}

/// The same problem with times a hundredth as long, for the planner counts costs in 32 bits.
fn shortened(mut problem: Problem) -> Problem {
    problem.press_ms /= 100;
    problem.answer_ms /= 100;
    problem.commands.iter_mut().for_each(|command| command.takes_ms /= 100);
    problem
}

/// Ordinary problems with their lifelines, and hard ones without (each lifeline would make it three times as large).
fn write(folder: &Path, count: usize) -> Json {
    let ordinaries = (0..).map(|seed| (format!("ordinary-{seed}"), shortened(ordinary(seed))));
    let hards = (0..).map(|seed| {
        let problem = Problem { lifelines: Vec::new(), ..shortened(hard(seed, Start::Known)) };
        (format!("hard-{seed}"), problem)
    });
    let mut lines = Vec::new();
    let mut taken = serde_json::Map::new();
    let mut put = |problems: &mut dyn Iterator<Item = (String, Problem)>| {
        let few = |(_, problem): &(String, Problem)| pddl::actions(problem) <= MOST_ACTIONS;
        for (name, problem) in problems.take(20 * count).filter(few).take(count) {
            let (Answer::Best(best), took) = timed(&problem, 3) else { continue };
            let scale = scale(best.cost);
            let number = best.cost.exposure_ms * scale.factors[0] + best.cost.time_ms * scale.factors[1];
            let (domain, task) = pddl::write(&problem, scale);
            fs::write(folder.join(format!("{name}.domain.pddl")), domain).expect("writable");
            fs::write(folder.join(format!("{name}.problem.pddl")), task).expect("writable");
            lines.push(format!("{name} {number}"));
            taken.insert(name, json!(took));
        }
    };
    put(&mut ordinaries.into_iter());
    put(&mut hards.into_iter());
    fs::write(folder.join("expected.txt"), lines.join("\n") + "\n").expect("writable");
    Json::Object(taken)
}

/// Exposure before time, and nothing else: as far as 32 bits go.
fn scale(cost: Cost) -> pddl::Scale {
    pddl::Scale { factors: [4 * cost.time_ms.max(8), 1, 0, 0] }
}
