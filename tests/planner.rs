//! The search against Fast Downward (A* with LM-cut, package `up-fast-downward`), an optimal planner written by others:
//! random problems go out as PDDL with action costs, and its cost must be ours. Run with
//! `tests/run --test planner`.

#[path = "planner/pddl.rs"]
mod pddl;
#[allow(dead_code)]
mod reference;

use pddl::Scale;
use reference::keybooks::{Start, hard};
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
fn put(
    folder: &Path,
    name: &str,
    problem: &Problem,
    scale: impl Fn(Cost, bool) -> Scale,
    most: usize,
) -> Option<String> {
    if pddl::actions(problem) > most {
        return None;
    }
    let answer = find(problem, &Budget::default()).expect("well formed");
    let (scale, expected) = match answer {
        Answer::Best(best) => {
            assert!(best.proven, "{name}");
            let scale = scale(best.cost, !problem.lifelines.is_empty());
            (scale, number(best.cost, scale).to_string())
        }
        Answer::Unsolvable(_) => (Scale { factors: [0, 1, 0, 0] }, "none".to_owned()),
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

/// Has the planner solve a folder of problems; what it says. `limit`: seconds for one, where it need not solve all.
fn planner(folder: &Path, lines: &[String], limit: Option<u32>) -> String {
    let python = std::env::var("STATIONKEEP_TEST_PYTHON")
        .expect("STATIONKEEP_TEST_PYTHON is not set: run tests/run, which sets up what the tests need");
    std::fs::write(folder.join("expected.txt"), lines.join("\n") + "\n").expect("writable");
    let driver = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/planner/compare.py");
    let limit = limit.map(|seconds| seconds.to_string());
    let run = std::process::Command::new(python).arg(driver).arg(folder).args(limit).output().expect("python runs");
    let said = String::from_utf8_lossy(&run.stdout).into_owned();
    assert!(run.status.success(), "{said}{}", String::from_utf8_lossy(&run.stderr));
    said
}

fn folder(name: &str) -> std::path::PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    std::fs::create_dir_all(&folder).expect("writable");
    folder
}

fn compare(lifelines: usize, count: usize) {
    let folder = folder(&format!("planner-{lifelines}"));
    let problems = (0..).map(|seed| middling(seed, seed % MIXES, lifelines));
    let named = problems.enumerate().filter_map(|(seed, problem)| {
        let line = put(&folder, &format!("p{seed}"), &problem, scale, MOST_ACTIONS)?;
        // Some without a script are wanted, but not nearly half.
        (!line.ends_with("none") || seed % 4 == 0).then_some(line)
    });
    let lines: Vec<String> = named.take(count).collect();
    let reached = lines.iter().filter(|line| !line.ends_with("none")).count();
    assert!(reached * 3 > count * 2, "only {reached} of {count} have a script");
    let said = planner(&folder, &lines, None);
    println!("{said}our search of the same: {:.2} ms in all", ours(count, lifelines).as_secs_f64() * 1e3);
    assert!(said.contains(&format!("{count} problems")), "{said}");
}

/// A problem of 60 settings without lifelines of which 4 to 12 differ: the planner hardly solves more. Its times are short
/// enough for the planner's 32 bits, and nothing may be keyed for being held, which would make several times as many
/// actions.
fn big(seed: u64) -> Problem {
    let mut problem = hard(seed, Start::Known);
    problem.lifelines.clear();
    (problem.press_ms, problem.answer_ms) = (2, 5);
    for command in &mut problem.commands {
        command.takes_ms /= 300;
        command.fields.iter_mut().for_each(|field| field.choices.retain(|choice| !choice.only_if_held));
    }
    let differing = problem.slots.iter_mut().filter(|slot| slot.start != Some(slot.goal));
    differing.skip(4 + seed as usize % 9).for_each(|slot| slot.start = Some(slot.goal));
    problem
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

#[test]
fn an_optimal_planner_finds_the_same_costs_of_big_problems_where_it_finds_any_in_time() {
    let folder = folder("planner-big");
    // Time and presses.
    let scale = |cost: Cost, _| Scale { factors: [0, 4 * cost.time_ms.max(8), 1, 0] };
    let named = (0..300).map(|seed| put(&folder, &format!("p{seed}"), &big(seed), scale, MOST_ACTIONS));
    let lines: Vec<String> = named.flatten().take(30).collect();
    let said = planner(&folder, &lines, Some(1));
    println!("{said}");
    let solved = said.lines().find_map(|line| line.split_once(" problems")?.0.parse::<usize>().ok());
    assert!(solved.is_some_and(|solved| solved >= 12), "{said}");
}
