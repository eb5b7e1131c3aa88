//! Where a visit is: a screen for each, and by which name the phone keeps what was tapped there.

use super::stop::Why;

/// What was heard of a step before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Before {
    First,
    Refused,
    Nothing,
}

/// Which steps come after one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Rest {
    All,
    /// Those to key all the same where `failed` failed; this one is the `nth` of them.
    After {
        failed: usize,
        nth: usize,
    },
}

/// A step to key, counted from 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Goal {
    pub(super) step: usize,
    pub(super) before: Before,
    pub(super) rest: Rest,
}

/// How an opening went before.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Tried {
    No,
    Refused,
    Nothing,
    /// Once refused and once silent, in whatever order.
    Both,
}

/// A screen, by what it is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum At {
    Which,
    /// What the station says that is not the one that is meant.
    Says,
    /// `again`: the call was open before, and has dropped.
    Open {
        again: bool,
        nth: usize,
        tried: Tried,
        goal: Goal,
    },
    Step(Goal),
    Dropped(Goal),
    /// Then the next call, or whatever comes.
    End {
        call: usize,
        then: Then,
    },
    Stop(Why, Option<Goal>),
    Test(usize),
    Who(usize),
    Finish,
}

/// What comes after a call.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Then {
    Open(Goal),
    Stop(Why),
    Tests,
}

/// The name of a screen: what it is, in short.
pub(super) fn name(at: At) -> String {
    let goal = |Goal { step, before, rest }: Goal| {
        let before = match before {
            Before::First => "",
            Before::Refused => "r",
            Before::Nothing => "n",
        };
        let rest = match rest {
            Rest::All => String::new(),
            Rest::After { failed, nth } => format!("-after{}.{nth}", failed + 1),
        };
        format!("step{}{before}{rest}", step + 1)
    };
    match at {
        At::Which => "which".into(),
        At::Says => "says".into(),
        At::Open { again, nth, tried, goal: of } => {
            let again = if again { "again-" } else { "" };
            let tried = match tried {
                Tried::No => "",
                Tried::Refused => "r",
                Tried::Nothing => "n",
                Tried::Both => "rn",
            };
            format!("{again}open{}{tried}-{}", nth + 1, goal(of))
        }
        At::Step(of) => goal(of),
        At::Dropped(of) => format!("dropped-{}", goal(of)),
        At::End { call, then } => match then {
            Then::Open(of) => format!("end{}-{}", call + 1, goal(of)),
            Then::Stop(why) => format!("end{}-{}", call + 1, why.name()),
            Then::Tests => format!("end{}", call + 1),
        },
        At::Stop(why, retry) => {
            format!("{}{}", why.name(), retry.map_or_else(String::new, |of| format!("-{}", goal(of))))
        }
        At::Test(test) => format!("test{}", test + 1),
        At::Who(test) => format!("who{}", test + 1),
        At::Finish => "finish".into(),
    }
}
