//! Whether a case got better or worse. In doubt, worse: that is the reading someone looks into.

use std::collections::BTreeSet;

use super::seen::{Seen, SeenLifeline, SeenSetting, ShownValue};
use crate::alert::terms::Subscription;
use crate::drift::{Drift, Service};
use crate::setting::{Name, Weight};

/// The weights of the parts that are not as they were.
pub fn changed(was: &Seen, is: &Seen) -> BTreeSet<Weight> {
    let of_settings = was.settings.keys().chain(is.settings.keys()).flat_map(|name| {
        let (was, is) = (was.settings.get(name), is.settings.get(name));
        let is_same = was.map(essence) == is.map(essence);
        was.into_iter().chain(is).filter(move |_| !is_same).map(|setting| setting.weight)
    });
    let service = |seen: &Seen, name: &Name| {
        let lifeline = seen.lifelines.get(name);
        lifeline.map(|lifeline| (lifeline.service, lifeline.failed_again_at))
    };
    let mut lifelines = was.lifelines.keys().chain(is.lifelines.keys());
    let of_lifelines = lifelines.any(|name| service(was, name) != service(is, name)).then_some(Weight::Lifeline);
    let of_visits = (was.unheard != is.unheard).then(|| was.weight.max(is.weight));
    let of_met = (was.met != is.met).then(|| was.weight.max(is.weight));
    of_settings.chain(of_lifelines).chain(of_visits).chain(of_met).collect()
}

fn essence(setting: &SeenSetting) -> (Drift, Weight, &ShownValue, &ShownValue) {
    let SeenSetting { drift, weight, wanted, held, fixed_at: _ } = setting;
    (*drift, *weight, wanted, held)
}

/// Whether all that got worse, if anything, is lighter than all that a webhook takes. In doubt, worse.
pub fn eased_for(webhook: &Subscription, was: &Seen, is: &Seen) -> bool {
    match webhook.weights.first() {
        None | Some(Weight::Routine) => only_eased(was, is),
        Some(lightest) => only_eased(was, is) || only_eased(&was.at_least(*lightest), &is.at_least(*lightest)),
    }
}

/// True where something got better and nothing got worse: no heavier, no worse in standing, no part that is new, worse
/// or otherwise wrong.
pub fn only_eased(was: &Seen, is: &Seen) -> bool {
    let settings = is.settings.iter().all(|(name, is)| was.settings.get(name).is_some_and(|was| no_worse(was, is)));
    let fixed = lifeline_setting_fixed(was, is);
    let lifelines = is.lifelines.iter().all(|(name, is)| match was.lifelines.get(name) {
        Some(was) => no_worse_service(was, is),
        None => fixed && is.service == Service::Untested,
    });
    let visits = is.unheard.is_subset(&was.unheard) && is.met.is_subset(&was.met);
    // Standings are ordered the worst first.
    settings && lifelines && visits && is.weight <= was.weight && is.standing >= was.standing
}

/// Whether nothing got worse but that something else is wanted of what drifted before.
pub fn only_rewanted(was: &Seen, is: &Seen) -> bool {
    let mut as_wanted = was.clone();
    for (name, setting) in &mut as_wanted.settings {
        if let Some(now) = is.settings.get(name) {
            setting.wanted = now.wanted.clone();
        }
    }
    only_eased(&as_wanted, is)
}

/// Whether nothing got worse but that of a button that called nobody no report says now whether it does.
pub fn only_doubted(was: &Seen, is: &Seen) -> bool {
    let mut sure = is.clone();
    sure.lifelines.values_mut().for_each(|lifeline| lifeline.is_unsure = false);
    !only_eased(was, is) && only_eased(was, &sure)
}

/// Whether a setting that was known not to be as wanted is in doubt now: nothing was put right by that.
pub fn is_doubted(was: &Seen, is: &Seen) -> bool {
    let known = |name| was.settings.get(name).is_some_and(|was| matches!(was.drift, Drift::Differs | Drift::Strayed));
    is.settings.iter().any(|(name, is)| is.drift == Drift::InDoubt && known(name))
}

/// Whether nothing got worse but that nothing was heard of a visit.
pub fn only_unheard(was: &Seen, is: &Seen) -> bool {
    let heard = Seen { unheard: was.unheard.clone(), ..is.clone() };
    !is.unheard.is_subset(&was.unheard) && only_eased(was, &heard)
}

/// A lifeline whose setting was put right has to be tested anew. That is a step on the way, not a new failure.
fn lifeline_setting_fixed(was: &Seen, is: &Seen) -> bool {
    was.settings.iter().any(|(name, was)| was.weight == Weight::Lifeline && !is.settings.contains_key(name))
}

fn no_worse(was: &SeenSetting, is: &SeenSetting) -> bool {
    let (before, now) = (badness(was.drift), badness(is.drift));
    is.wanted == was.wanted && is.weight <= was.weight && (now < before || (now == before && is.held == was.held))
}

fn no_worse_service(was: &SeenLifeline, is: &SeenLifeline) -> bool {
    // Services are ordered the worst first. One that was dead and then failed its test calls nobody still, and it is news.
    let failed_again = is.failed_again_at.is_some() && is.failed_again_at != was.failed_again_at;
    let is_doubted = was.service.calls_nobody() && is.is_silent_yet();
    !is_doubted
        && is.service >= was.service
        && (was.service, is.service) != (Service::Dead, Service::Failed)
        && !failed_again
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
