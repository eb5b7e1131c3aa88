//! The search against Fast Downward (A* with LM-cut, package `up-fast-downward`), an optimal planner written by others:
//! random problems go out as PDDL with action costs, and its cost must be ours. Run with
//! `tests/run --test planner`.

#[path = "planner/pddl.rs"]
mod pddl;
#[allow(dead_code)]
mod reference;

use pddl::Scale;
use reference::{MIXES, middling};
use stationkeep::script;
use stationkeep::script::problem::{Cost, Problem};
use stationkeep::script::search::{Answer, Budget, find};
use std::path::Path;

/// The factors under which one number compares like the cost, as far as the planner's 32 bits go: with lifelines the
/// number of commands is left out. No script that is as good in exposure and time as ours has presses or commands past
/// the factor, for both are at most its time here.
fn scale(cost: Cost, lifelines: bool) -> Scale {
    let step = 4 * cost.time_ms.max(8);
    Scale { factors: if lifelines { [step * step, step, 1, 0] } else { [0, step * step, step, 1] } }
}

fn number(cost: Cost, scale: Scale) -> u64 {
    let parts = [cost.exposure_ms, cost.time_ms, cost.presses, cost.commands];
    parts.iter().zip(scale.factors).map(|(part, factor)| part * factor).sum()
}

/// Most actions of one problem; the planner's translator takes seconds for thousands.
const MOST_ACTIONS: usize = 150;

/// Writes one problem and its expected line; `None` where it is too large for the planner, or its number is.
fn put(folder: &Path, name: &str, problem: &Problem) -> Option<String> {
    if pddl::actions(problem) > MOST_ACTIONS {
        return None;
    }
    let answer = find(problem, &Budget::default()).expect("well formed");
    let (scale, expected) = match answer {
        Answer::Best(best) => {
            assert!(best.proven, "{name}");
            let scale = scale(best.cost, !problem.lifelines.is_empty());
            (scale, number(best.cost, scale).to_string())
        }
        Answer::Unreachable(_) => (Scale { factors: [0, 1, 0, 0] }, "none".to_owned()),
        Answer::GaveUp { .. } => panic!("{name}: gave up"),
    };
    if expected.parse::<u64>().is_ok_and(|number| number > 500_000_000) {
        return None;
    }
    let (domain, task) = pddl::write(problem, scale);
    std::fs::write(folder.join(format!("{name}.domain.pddl")), domain).expect("writable");
    std::fs::write(folder.join(format!("{name}.problem.pddl")), task).expect("writable");
    Some(format!("{name} {expected}"))
}

/// How long our search takes over as many of the same problems.
fn ours(count: usize, lifelines: usize) -> std::time::Duration {
    let problems = (0..).map(|seed| middling(seed, seed % MIXES, lifelines));
    let problems: Vec<Problem> =
        problems.filter(|problem| pddl::actions(problem) <= MOST_ACTIONS).take(count).collect();
    let began = std::time::Instant::now();
    let answered = problems.iter().filter(|problem| find(problem, &Budget::default()).is_ok()).count();
    assert_eq!(answered, count);
    began.elapsed()
}

fn compare(lifelines: usize, count: usize) {
    let python = std::env::var("STATIONKEEP_TEST_PYTHON")
        .expect("STATIONKEEP_TEST_PYTHON is not set: run tests/run, which sets up what the tests need");
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("planner-{lifelines}"));
    std::fs::create_dir_all(&folder).expect("writable");
    let problems = (0..).map(|seed| middling(seed, seed % MIXES, lifelines));
    let named = problems.enumerate().filter_map(|(seed, problem)| {
        let line = put(&folder, &format!("p{seed}"), &problem)?;
        // Some without a script are wanted, but not nearly half.
        (!line.ends_with("none") || seed % 4 == 0).then_some(line)
    });
    let lines: Vec<String> = named.take(count).collect();
    let reached = lines.iter().filter(|line| !line.ends_with("none")).count();
    assert!(reached * 3 > count * 2, "only {reached} of {count} have a script");
    std::fs::write(folder.join("expected.txt"), lines.join("\n") + "\n").expect("writable");
    let driver = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/planner/compare.py");
    let run = std::process::Command::new(python).arg(driver).arg(&folder).output().expect("python runs");
    let said = String::from_utf8_lossy(&run.stdout);
    println!("{said}our search of the same: {:.2} ms in all", ours(count, lifelines).as_secs_f64() * 1e3);
    assert!(run.status.success(), "{said}{}", String::from_utf8_lossy(&run.stderr));
    assert!(said.contains(&format!("{count} problems")), "{said}");
}

#[test]
fn an_optimal_planner_finds_the_same_costs_without_lifelines() {
    compare(0, 300);
}

#[test]
fn an_optimal_planner_finds_the_same_costs_with_one_lifeline() {
    compare(1, 300);
}

#[test]
fn an_optimal_planner_finds_the_same_costs_with_two_lifelines() {
    compare(2, 100);
}
