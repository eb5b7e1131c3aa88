//! For `explain`: what the best script would key for a setting, and why it keys it there.

use crate::drift::Standing;
use crate::inventory::Station;
use crate::script::{self, Memory, NoScript, Script, Step, Way};
use crate::setting::Name;

use super::scene::Scene;

/// The script that a station would get now, if it needs one. It is not issued, so nothing is recorded.
pub struct Keying(Option<Result<Script, NoScript>>);

impl Keying {
    pub fn of(scene: &Scene, station: &Station) -> Keying {
        if scene.drift(station).standing == Standing::Aligned {
            return Keying(None);
        }
        let (record, codes) = (scene.records.of(station), scene.codes_for(station));
        Keying(script::write(station, &record, &codes, Way::There, &mut Memory::default()).transpose())
    }

    /// What it would do to a setting, a line a step.
    pub fn lines(&self, setting: &Name) -> Vec<String> {
        match &self.0 {
            None => Vec::new(),
            Some(Ok(script)) => {
                let steps: Vec<&Step> = script.calls.iter().flat_map(|call| &call.steps).collect();
                let here = steps.iter().filter(|step| touches(step, setting));
                here.map(|step| line(step, steps.len())).collect()
            }
            Some(Err(NoScript::Unreachable(stuck))) => {
                let here = stuck.iter().filter(|stuck| stuck.setting == *setting).flat_map(|stuck| &stuck.rules);
                here.map(|rule| format!("no script: {rule}. {}", rule.fix())).collect()
            }
            Some(Err(why)) => vec![format!("no script: {why}")],
        }
    }
}

fn touches(step: &Step, setting: &Name) -> bool {
    step.sets.contains_key(setting) || step.also.contains_key(setting)
}

fn line(step: &Step, steps: usize) -> String {
    format!("step {} of {steps}, `{}`. {}", step.number, step.command, step.rationale.sentences(step.number).join(" "))
}
