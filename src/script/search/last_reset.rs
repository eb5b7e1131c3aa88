//! Bounds on what comes before and after the last reset of a script (`mod.rs` §8), from the landmarks of the commands that
//! are no resets. They never overestimate.

use super::cover_order::{Before, CoverOrder, Turn, TurnsThrough};
use super::exposure_bound::{ExposureBound, set_of, telling};
use super::landmark_set::LandmarkSet;
use super::landmarks::{Landmarks, Scope};
use super::model::{Class, Classes, Model, ModelLifeline, Set};
use super::packed::{Packed, time_of};
use super::stubborn_sets::Firsts;

pub(super) struct LastReset {
    landmarks: Landmarks,
    exposure_bound: ExposureBound,
    cover_order: CoverOrder,
    turns: TurnsThrough,
    goals: LandmarkSet,
    resets: Vec<Reset>,
}

/// A reset, for a model without it.
pub(super) struct ResetEffects {
    pub needs: Vec<(usize, Classes)>,
    /// What it leaves.
    pub sets: Vec<(usize, Class)>,
    /// Least time, milliseconds.
    pub least_ms: u64,
}

/// A reset as these bounds see it.
struct Reset {
    effects: ResetEffects,
    /// Least time of making each need hold; nothing where that may serve what is counted besides.
    ready_ms: Vec<u64>,
    /// What is asked for after it, keyed now or later.
    now: Scope,
    later: Scope,
    lifelines: Vec<LifelineScopes>,
    /// Landmarks of the slots it writes.
    late: LandmarkSet,
}

/// What must be keyed to cover a lifeline.
struct LifelineScopes {
    /// What is keyed while a slot is away that leaves it uncovered then.
    dark: LandmarkSet,
    /// Before any reset.
    cover: Scope,
    /// After a reset keyed now; until after one keyed later, before it or after; and of that, after it.
    now: Scope,
    whole: Scope,
    late: Scope,
}

impl LifelineScopes {
    /// `late`: the slots that the reset writes; `free`: others, that other resets write.
    fn of(model: &Model, lifeline: &ModelLifeline, landmarks: &Landmarks, late: Set, free: Set) -> Self {
        // Covered again, it may be as it was; so only the slots are asked for that are the same either way.
        let tells = telling(model, lifeline);
        Self {
            dark: landmarks.dark(tells),
            cover: landmarks.scope(set_of(&lifeline.slots), 0, 0, free),
            now: landmarks.scope(tells, tells, !0, 0),
            whole: landmarks.scope(tells, tells, late, free),
            late: landmarks.scope(tells & late, tells & late, !0, !late),
        }
    }
}

impl LastReset {
    /// For a model without the resets.
    pub fn new(model: &Model, resets: Vec<ResetEffects>) -> Self {
        let landmarks = Landmarks::new(model);
        let all = (0..model.slots.len()).fold(0, |set, slot| set | 1 << slot);
        let late = |reset: &ResetEffects| reset.sets.iter().fold(0, |set: Set, set_slot| set | 1 << set_slot.0);
        let every = resets.iter().fold(0, |set, reset| set | late(reset));
        let reset = |effects: ResetEffects| {
            let late = late(&effects);
            let free = every & !late;
            let scopes = |lifeline: &ModelLifeline| LifelineScopes::of(model, lifeline, &landmarks, late, free);
            Reset {
                ready_ms: effects.needs.iter().map(|need| ready_ms(model, *need, every)).collect(),
                now: landmarks.scope(all, all, !0, 0),
                later: landmarks.scope(all, all, late, free),
                lifelines: model.lifelines.iter().map(scopes).collect(),
                late: landmarks.of(late),
                effects,
            }
        };
        Self {
            resets: resets.into_iter().map(reset).collect(),
            exposure_bound: ExposureBound::new(model, &landmarks),
            cover_order: CoverOrder::default(),
            turns: TurnsThrough::default(),
            goals: landmarks.goals_of(all),
            landmarks,
        }
    }

    /// Least cost, without exposure, of what follows the reset at this place, keyed in this state or (`later`) further on,
    /// and the least exposure of that and of what comes before the reset is done then; `None`: some goal is lost.
    pub fn rest(&mut self, model: &Model, state: &[Class], place: usize, later: bool) -> Option<(Packed, u64)> {
        let reset = &self.resets[place];
        let mut after = state.to_vec();
        reset.effects.sets.iter().for_each(|(slot, class)| after[*slot] = *class);
        let rest = self.landmarks.within(&after, if later { &reset.later } else { &reset.now })?;
        let exposure = if later { self.through(model, state, &after, place)? } else { self.after(&after, place)? };
        Some((rest, exposure))
    }

    /// Least exposure after a reset keyed now.
    fn after(&mut self, after: &[Class], place: usize) -> Option<u64> {
        let (missing, last) = (self.landmarks.missing(after), self.landmarks.last());
        let mut apart = 0;
        self.turns.clear();
        for scopes in &self.resets[place].lifelines {
            let (goals, dark) = (self.landmarks.asked(&missing, &scopes.now), last.within(&scopes.dark));
            apart += self.landmarks.least_ms(&goals)?.max(self.landmarks.least_ms(&dark)?);
            if goals.count() > 0 {
                self.turns.late.push(Turn { goals, dark });
                self.turns.whole.push(Turn { goals, dark });
                self.turns.before.push(None);
            }
        }
        Some(apart.max(self.cover_order.least_through(&self.turns, &self.landmarks)?))
    }

    /// Least exposure from a state with the reset at this place, which leads to `after`, as the last one still to come.
    fn through(&mut self, model: &Model, state: &[Class], after: &[Class], place: usize) -> Option<u64> {
        let reset_ms = self.resets.iter().map(|reset| reset.ready_ms(state) + reset.effects.least_ms).min()?;
        let (reset, alone) = (&self.resets[place], self.resets.len() == 1);
        let (gaps, missing, last) =
            (self.landmarks.missing(state), self.landmarks.missing(after), self.landmarks.last());
        let mut apart = 0;
        self.turns.clear();
        for (lifeline, scopes) in model.lifelines.iter().zip(&reset.lifelines) {
            let dark = last.within(&scopes.dark);
            let late = Turn { goals: self.landmarks.asked(&missing, &scopes.late), dark: dark.within(&reset.late) };
            let mut own = self.landmarks.least_ms(&late.goals)?;
            let uncovered = !lifeline.start_counts && !lifeline.covered(model, state);
            if uncovered {
                let goals = self.landmarks.asked(&missing, &scopes.whole);
                let cover = self.landmarks.asked(&gaps, &scopes.cover);
                // An earlier reset may cover it but for what that leaves away; of others it is not known what.
                let anew = if alone { self.landmarks.least_ms(&goals)? } else { 0 };
                let cover_ms = self.landmarks.least_ms(&cover).map_or(reset_ms + anew, |ms| ms.min(reset_ms + anew));
                own += cover_ms.min(reset_ms);
                self.turns.whole.push(Turn { goals, dark });
                self.turns.before.push(Some(Before { reset_ms, cover_ms }));
                self.turns.late.push(late);
            } else if late.goals.count() > 0 {
                self.turns.whole.push(Turn { goals: late.goals, dark: late.dark });
                self.turns.before.push(None);
                self.turns.late.push(late);
            }
            apart += own.max(self.landmarks.least_ms(&dark)?);
        }
        Some(apart.max(self.cover_order.least_through(&self.turns, &self.landmarks)?))
    }

    /// Least exposure from a state in which some reset is still to come, whichever is the last; `None`: no script leads on.
    pub fn exposure_through(&mut self, model: &Model, state: &[Class]) -> Option<u64> {
        (0..self.resets.len()).filter_map(|place| Some(self.rest(model, state, place, true)?.1)).min()
    }

    /// Least exposure from a state after the last reset; `None`: no script leads on.
    pub fn exposure_after(&mut self, model: &Model, state: &[Class], firsts: Firsts) -> Option<u64> {
        self.landmarks.count(state, &self.goals)?;
        self.exposure_bound.of(model, state, firsts, 0, &mut self.landmarks)
    }
}

impl Reset {
    /// Least time until it is accepted.
    fn ready_ms(&self, state: &[Class]) -> u64 {
        let missing =
            self.effects.needs.iter().zip(&self.ready_ms).filter(|(need, _)| need.1 >> state[need.0] & 1 == 0);
        missing.map(|(_, ms)| *ms).max().unwrap_or(0)
    }
}

/// Least time of a command that can make a reset's need hold; nothing where one of these writes a slot that some reset keeps,
/// for it may be one of those that must be keyed before or after the reset anyway.
fn ready_ms(model: &Model, (slot, classes): (usize, Classes), written: Set) -> u64 {
    let ways = || model.commands.iter().filter(|command| command.can_bring(slot, classes));
    if ways().any(|command| command.writes & !written != 0) {
        return 0;
    }
    ways().map(|command| time_of(command.least(model.press))).min().unwrap_or(0)
}
