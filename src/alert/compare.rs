//! Whether a case got better or worse. In doubt, worse: that is the reading somebody looks into.

use super::seen::{Seen, SeenLifeline, SeenSetting};
use crate::drift::{Drift, Service};
use crate::setting::Weight;

/// True where something got better and nothing got worse: no heavier, no worse in standing, no part that is new, worse
/// or otherwise wrong.
pub(super) fn only_eased(was: &Seen, is: &Seen) -> bool {
    let settings = is.settings.iter().all(|(name, is)| was.settings.get(name).is_some_and(|was| no_worse(was, is)));
    let mended = lifeline_setting_mended(was, is);
    let lifelines = is.lifelines.iter().all(|(name, is)| match was.lifelines.get(name) {
        Some(was) => no_worse_service(was, is),
        None => mended && is.service == Service::Untested,
    });
    // Standings are ordered the worst first.
    settings && lifelines && is.weight <= was.weight && is.standing >= was.standing
}

/// A lifeline whose setting was put right has to be tested anew. That is a step on the way, not a new failure.
fn lifeline_setting_mended(was: &Seen, is: &Seen) -> bool {
    was.settings.iter().any(|(name, was)| was.weight == Weight::Lifeline && !is.settings.contains_key(name))
}

fn no_worse(was: &SeenSetting, is: &SeenSetting) -> bool {
    let (before, now) = (badness(was.drift), badness(is.drift));
    is.wanted == was.wanted && is.weight <= was.weight && (now < before || (now == before && is.held == was.held))
}

fn no_worse_service(was: &SeenLifeline, is: &SeenLifeline) -> bool {
    // Services are ordered the worst first.
    is.service >= was.service
}

/// The order of standings, and found against the record above merely different.
fn badness(drift: Drift) -> u8 {
    match drift {
        Drift::Strayed => 4,
        Drift::Differs => 3,
        Drift::InDoubt => 2,
        Drift::Unproven => 1,
        Drift::Overdue => 0,
    }
}
