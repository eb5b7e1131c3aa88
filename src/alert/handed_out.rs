//! Scripts that are handed out that lead to what is wanted no longer: whoever has such a card is to be called back, all the more
//! where all seems well again. It never names a code or a number.

use jiff::Timestamp;
use serde::Serialize;

use super::clip::{NAME, clip};
use super::pass::ToCallBack;
use super::topic::station::Item;
use crate::finding::minute;

/// Those of a message's stations.
#[derive(Debug, Serialize)]
pub struct CallBack {
    scripts: usize,
    first: Vec<OneScript>,
    left_out: usize,
}

#[derive(Debug, Serialize)]
struct OneScript {
    station: String,
    script: String,
    handed_out_at: String,
    #[serde(skip)]
    at: Timestamp,
}

const SHOWN: usize = 3;

impl CallBack {
    /// `None` where there is none.
    pub fn of(items: &[Item<'_, '_>], to_call_back: ToCallBack<'_>) -> Option<CallBack> {
        let one = |item: &Item<'_, '_>| {
            let out = to_call_back.0(&item.subject.name)?;
            let (station, handed_out_at) = (clip(&item.subject.name, NAME), out.at.to_string());
            Some(OneScript { station, script: out.script.to_string(), handed_out_at, at: out.at })
        };
        let mut first: Vec<OneScript> = items.iter().filter_map(one).collect();
        let scripts = first.len();
        first.truncate(SHOWN);
        (scripts > 0).then(|| CallBack { scripts, left_out: scripts - first.len(), first })
    }

    /// "Call back script e55f8dcf02d7ea61 for EQ-01, issued 2026-11-25 12:03 UTC: …"
    pub fn sentence(&self) -> Option<String> {
        let OneScript { station, script, handed_out_at: _, at } = self.first.first()?;
        let at = minute(*at);
        let one = format!("script {script} for {station}, issued {at}");
        Some(match self.scripts {
            1 => format!("Call back {one}: nobody reported of it, and it leads to what is wanted no longer."),
            n => format!(
                "Call back {n} scripts of which nobody reported and which lead to what is wanted no longer, first {one}."
            ),
        })
    }
}
