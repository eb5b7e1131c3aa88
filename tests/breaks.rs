//! Breaks the search on purpose, one way at a time, in a copy, and asks of each that the comparison with the plain
//! reference notices it. The copy needs nothing but `rustc`: the search uses the standard library alone.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// One way to break the search: what goes wrong, in which file, which text (there once) and what stands there instead.
struct Break {
    what: &'static str,
    file: &'static str,
    text: &'static str,
    instead: &'static str,
}

const BREAKS: [Break; 45] = [
    Break {
        what: "the bound counts a command for every setting it helps",
        file: "landmarks.rs",
        text: "self.rest[usize::from(*op)] -= share.saturating_sub(*extra);",
        instead: "let _ = (op, extra);",
    },
    Break {
        what: "a goal counts as keyed now, though a later command may key it for less",
        file: "landmarks.rs",
        text: "total += now.into_iter().chain(later).min()?;",
        instead: "total += now.or(later)?;",
    },
    Break {
        what: "what is still open is asked for",
        file: "landmarks.rs",
        text: "if unsure >> slot & 1 == 0 {",
        instead: "if unsure >> slot & 1 < 2 {",
    },
    Break {
        what: "of a command of many fields one is keyed in one way only",
        file: "best_first.rs",
        text: "for choice in choices(field, &state, false) {",
        instead: "for choice in choices(field, &state, false).take(1) {",
    },
    Break {
        what: "the bound on exposure does so",
        file: "landmarks.rs",
        text: "left[usize::from(*op)] -= share.saturating_sub(*extra);",
        instead: "let _ = (op, extra);",
    },
    Break {
        what: "what is wrong on the way counts as wrong for the next lifeline too",
        file: "cover_order.rs",
        text: "places(chosen).map(|place| self.sums[chosen & !(1 << place)].saturating_add(own(chosen, place)));",
        instead: "places(chosen).map(|place| 2 * self.sums[chosen & !(1 << place)].saturating_add(own(chosen, place)));",
    },
    Break {
        what: "a side effect is forgotten",
        file: "successors.rs",
        text: "command.sets.iter().for_each(|(slot, class)| after[*slot] = *class);\n    let keying",
        instead: "let keying",
    },
    Break {
        what: "needs are ignored",
        file: "successors.rs",
        text: "if command.needs.iter().any(|(slot, classes)| classes >> state[*slot] & 1 == 0) {",
        instead: "if command.needs.len() > 9 {",
    },
    Break {
        what: "what a clear leaves is taken for the goal",
        file: "effects.rs",
        text: "put(*slot, bit(problem.slots[*slot].factory));",
        instead: "put(*slot, bit(Some(problem.slots[*slot].goal)));",
    },
    Break {
        what: "one lifeline is never looked at",
        file: "model.rs",
        text: "covered.filter(|(_, covered)| !covered).fold(",
        instead: "covered.skip(1).filter(|(_, covered)| !covered).fold(",
    },
    Break {
        what: "exposure counts as no more than time",
        file: "best_first.rs",
        text: "let exposed = Packed::from(u64::from(uncovered.count_ones()) * time_of(*step)) << EXPOSURE_SHIFT;",
        instead: "let exposed = Packed::from(u64::from(uncovered.count_ones()) * time_of(*step)) << 46;",
    },
    Break {
        what: "scripts through a reset are never weighed",
        file: "find.rs",
        text: "Some(search) => with_resets(without, search, purse),",
        instead: "Some(_) => without,",
    },
    Break {
        what: "what a reset keeps is not set before it",
        file: "relevance.rs",
        text: "Target::Reset(kept) if kept[slot] => self.ask(slot, !0),",
        instead: "Target::Reset(kept) if kept[slot] => {}",
    },
    Break {
        what: "the exposure after a reset counts twice",
        file: "cover_order.rs",
        text: "None => late[at],",
        instead: "None => 2 * late[at],",
    },
    Break {
        what: "a button covered before a reset counts as uncovered until after it",
        file: "cover_order.rs",
        text: "Some(before) => (before.reset_ms + whole[at]).min(before.cover_ms.saturating_add(late[at])),",
        instead: "Some(before) => before.reset_ms + whole[at],",
    },
    Break {
        what: "what is keyed before a reset counts as keyed after it, too",
        file: "cover_order.rs",
        text: "before.cover_ms.saturating_add(late[at])",
        instead: "before.cover_ms.saturating_add(whole[at])",
    },
    Break {
        what: "what readies a reset counts besides, though it serves the rest",
        file: "last_reset.rs",
        text: "command.writes & !written != 0",
        instead: "command.writes & !written != 0 && false",
    },
    Break {
        what: "a landmark kept by the reset counts as keyed after it",
        file: "last_reset.rs",
        text: "late: landmarks.scope(tells & late, tells & late, !0, !late),",
        instead: "late: landmarks.scope(tells, tells, !0, 0),",
    },
    Break {
        what: "the way through a reset is bounded by one reset's rest alone",
        file: "resets.rs",
        text: "ways.into_iter().reduce(either)",
        instead: "ways.into_iter().min()",
    },
    Break {
        what: "what is lost on the way need not be brought back",
        file: "relevance.rs",
        text: "(bit(self.question.from[slot]) | self.may[slot]) & !values == 0",
        instead: "bit(self.question.from[slot]) & !values == 0",
    },
    Break {
        what: "a command that leaves something away is never used",
        file: "relevance.rs",
        text: "brings.for_each(|write| restored[write.slot] = true);",
        instead: "brings.take(0).for_each(|write| restored[write.slot] = true);",
    },
    Break {
        what: "a value is dropped although holding it pays",
        file: "model.rs",
        text: "!matters && needs && reads && holds",
        instead: "!matters && needs && reads && (holds || true)",
    },
    Break {
        what: "quiet settings are keyed before lifelines",
        file: "relevance.rs",
        text: "(!part.has_lifelines, part.commands.first().copied())",
        instead: "(part.has_lifelines, part.commands.first().copied())",
    },
    Break {
        what: "a command comes last although it spoils",
        file: "suffix.rs",
        text: "& by_others == 0",
        instead: "& by_others & 0 == 0",
    },
    Break {
        what: "a command comes first although another spoils what it does",
        file: "stubborn_sets.rs",
        text: "&& touch.spoilers & others == 0",
        instead: "&& (touch.spoilers & others == 0 || true)",
    },
    Break {
        what: "commands that interfere are tried in one order",
        file: "stubborn_sets.rs",
        text: "(one.writes & other.looks) | (one.looks & other.writes) | both != 0",
        instead: "both != 0",
    },
    Break {
        what: "a state is dropped for one that only costs no more",
        file: "dominance.rs",
        text: "(1..model.slots[slot].classes).filter(fits)",
        instead: "(1..model.slots[slot].classes).filter(|class| fits(class) || true)",
    },
    Break {
        what: "a lifeline is taken never to be as it was again",
        file: "exposure_bound.rs",
        text: "able.then_some(line.restore_ms)",
        instead: "(able && false).then_some(line.restore_ms)",
    },
    Break {
        what: "a lifeline that a reset leaves as it was counts as lost",
        file: "resets.rs",
        text: "is_some_and(|as_was| !(lifeline.start_counts && *as_was));",
        instead: "is_some_and(|_| true);",
    },
    Break {
        what: "in a state, nothing is keyed for a lifeline alone",
        file: "stubborn_sets.rs",
        text: "relevant |= line.achievers;",
        instead: "relevant |= 0;",
    },
    Break {
        what: "a value is dropped although a lifeline goes by it",
        file: "model.rs",
        text: "let matters = other == goal || Some(other) == self.as_was;",
        instead: "let matters = other == goal;",
    },
    Break {
        what: "a lifeline counts as it was although a slot that never moves is not",
        file: "model.rs",
        text: "start.is_some() && (moves(slot) || source.from[*slot] == start)",
        instead: "true",
    },
    Break {
        what: "a button that was dead or failed at the start counts as covered while it is as it was",
        file: "model.rs",
        text: "self.start_counts && self.slots.iter().all(|slot| model",
        instead: "self.slots.iter().all(|slot| model",
    },
    Break {
        what: "of a button that may be as it was again the longer way counts",
        file: "exposure_bound.rs",
        text: "goals_ms.min(restore_ms",
        instead: "goals_ms.max(restore_ms",
    },
    Break {
        what: "what the order of many buttons comes to is told of others, too",
        file: "cover_order.rs",
        text: "landmarks.write(&turn.goals, &mut self.asked);",
        instead: "",
    },
    Break {
        what: "orders of buttons are left out for more than is still to come",
        file: "cover_order.rs",
        text: "sum.saturating_add(after) < best",
        instead: "sum.saturating_add(2 * after) < best",
    },
    Break {
        what: "of the orders of buttons only the one that looks best is weighed",
        file: "cover_order.rs",
        text: "best = best.min(self.sums[all]);",
        instead: "",
    },
    Break {
        what: "while buttons are uncovered, only what covers the first of them is tried",
        file: "stubborn_sets.rs",
        text: "for place in members(dark.uncovered.into()) {",
        instead: "for place in members(dark.uncovered.into()).take(1) {",
    },
    Break {
        what: "a button that may be as it was again is only ever brought to its goals",
        file: "stubborn_sets.rs",
        text: "if dark.for_good >> place & 1 == 0 {",
        instead: "if dark.for_good >> place & 1 == 2 {",
    },
    Break {
        what: "a button that was to be covered first stays so although another one was uncovered since",
        file: "stubborn_sets.rs",
        text: "0 => firsts | of(after & !before),",
        instead: "0 => firsts,",
    },
    Break {
        what: "once the first button is covered, none may be the next",
        file: "stubborn_sets.rs",
        text: "covered if !self.timed || firsts & of(covered) != 0 => ANY,",
        instead: "covered if !self.timed || firsts & of(covered) != 0 => 1,",
    },
    Break {
        what: "a state reached in two ways is looked at for the first alone",
        file: "exposure_search.rs",
        text: "node.firsts |= firsts;",
        instead: "return;",
    },
    Break {
        what: "a step that a button waits for counts as lost time",
        file: "exposure_bound.rs",
        text: "line.asked.within(helped).count() == 0 &&",
        instead: "",
    },
    Break {
        what: "of a button's way back its whole way to the goals counts",
        file: "exposure_bound.rs",
        text: "restore_ms.saturating_add(",
        instead: "goals_ms.saturating_add(restore_ms).saturating_add(",
    },
    Break {
        what: "a command is keyed sooner although it uncovers a button",
        file: "stubborn_sets.rs",
        text: "touch.lines & !dark.uncovered == 0",
        instead: "touch.lines & !dark.uncovered & 0 == 0",
    },
];

/// Problems of each kind, and the most time one comparison may take, many times what it takes.
const PROBLEMS: &str = "300";
const MOST: Duration = Duration::from_secs(240);

/// A copy of the search that can be built by itself.
struct Copy(PathBuf);

impl Copy {
    fn new() -> Self {
        let copy = Path::new(env!("CARGO_TARGET_TMPDIR")).join("breaks");
        let from = Path::new(env!("CARGO_MANIFEST_DIR"));
        let _ = std::fs::remove_dir_all(&copy);
        for folder in ["src/script/search", "tests/reference"] {
            std::fs::create_dir_all(copy.join(folder)).expect("writable");
            for entry in std::fs::read_dir(from.join(folder)).expect("readable") {
                let path = entry.expect("readable").path();
                std::fs::copy(&path, copy.join(folder).join(path.file_name().expect("a name"))).expect("writable");
            }
        }
        std::fs::copy(from.join("src/script/problem.rs"), copy.join("src/script/problem.rs")).expect("writable");
        let root = "pub mod script {\n    pub mod problem;\n    pub mod search;\n}\n";
        std::fs::write(copy.join("src/lib.rs"), root).expect("writable");
        Self(copy)
    }

    /// Builds the copy and runs its comparison; whether all of it agrees. What is built again is only what changed.
    fn agrees(&self) -> bool {
        let rustc = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
        // Unchecked arithmetic, so that nothing but the comparison can notice.
        let words = "--edition 2024 --test -C incremental=built -C overflow-checks=no -C debug-assertions=no -A warnings \
                     src/lib.rs -o compare";
        let built =
            Command::new(rustc).args(words.split_whitespace()).current_dir(&self.0).output().expect("rustc runs");
        assert!(built.status.success(), "it does not compile: {}", String::from_utf8_lossy(&built.stderr));
        let mut run = Command::new(self.0.join("compare"))
            .env("SEARCH_BRUTE", PROBLEMS)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("it runs");
        let began = Instant::now();
        loop {
            if let Some(left) = run.try_wait().expect("it ends") {
                return left.success();
            }
            if began.elapsed() > MOST {
                let _ = run.kill();
                let _ = run.wait();
                panic!("the comparison does not end");
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

#[test]
fn every_deliberate_break_of_the_search_is_noticed() {
    let copy = Copy::new();
    assert!(copy.agrees(), "the comparison fails with nothing broken");
    let mut unnoticed = Vec::new();
    for Break { what, file, text, instead } in BREAKS {
        let path = copy.0.join("src/script/search").join(file);
        let sound = std::fs::read_to_string(&path).expect("readable");
        assert_eq!(sound.matches(text).count(), 1, "{what}: {file} should hold this once: {text}");
        std::fs::write(&path, sound.replace(text, instead)).expect("writable");
        let began = Instant::now();
        let noticed = !copy.agrees();
        println!(
            "{what}: {} ({:.1} s)",
            if noticed { "noticed" } else { "NOT NOTICED" },
            began.elapsed().as_secs_f64()
        );
        if !noticed {
            unnoticed.push(what);
        }
        std::fs::write(&path, sound).expect("writable");
    }
    assert!(unnoticed.is_empty(), "nobody notices: {unnoticed:#?}");
}
