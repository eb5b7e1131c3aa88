//! Closer bounds on scripts through a reset (`mod.rs` §8): those of `landmarks.rs`, `exposure_bound.rs` and `projection.rs`
//! over all slots. They never overestimate.

use super::budget::Purse;
use super::effects::{Context, UNKNOWN, Values};
use super::last_reset::{LastReset, ResetEffects};
use super::missing_goals::least_of;
use super::model::{Class, Model, ModelSlot, Set, Source};
use super::packed::{EXPOSURE_SHIFT, Packed, time_of};
use super::projection::Projection;
use super::relevance::{Part, Relevance};
use crate::script::problem::{CommandId, SlotId, State};

/// The bounds over all slots and all commands but resets.
pub(super) struct CloserBounds {
    model: Model,
    last_reset: LastReset,
    /// Projections for what follows the last reset, and for what comes before it too; the latter's model.
    after: Option<Projection>,
    through: Option<(Model, Projection)>,
}

impl CloserBounds {
    /// `others`: the commands that are no resets. `None`: the problem is too large for one part.
    pub fn new(context: &Context, resets: &[CommandId], others: &[bool]) -> Option<Self> {
        let model = whole_model(context, others)?;
        let mut all = others.to_vec();
        resets.iter().for_each(|id| all[*id] = true);
        let through = whole_model(context, &all).and_then(|model| model.through(resets));
        let through = through.and_then(|model| Some((Projection::of(&model, slots_of(&model))?, model)));
        let effects = resets.iter().map(|id| effects_of(context, *id, &model)).collect();
        Some(Self {
            last_reset: LastReset::new(&model, effects),
            after: Projection::of(&model, slots_of(&model)),
            through: through.map(|(projection, model)| (model, projection)),
            model,
        })
    }

    /// A bound on the exposure from a state, with no further reset or (`later`) with one, weighed until it is more than in
    /// `limit`; [`Packed::MAX`]: no script leads on.
    pub fn exposure(
        &mut self,
        state: &State,
        later: bool,
        limit: Packed,
        most: u64,
        purse: &mut Purse,
    ) -> Option<Packed> {
        let (model, projection) = match (&mut self.through, later) {
            (Some((model, projection)), true) => (&*model, projection),
            (None, true) => return None,
            (_, false) => (&self.model, self.after.as_mut()?),
        };
        let class = |slot: &ModelSlot| state.get(slot.origin).map_or(1, |value| slot.class(*value));
        let classes: Vec<Class> = model.slots.iter().map(class).collect();
        let ms = projection.exposure(&classes, (limit >> EXPOSURE_SHIFT) as u64, most, purse);
        Some(if ms == u64::MAX { Packed::MAX } else { Packed::from(ms) << EXPOSURE_SHIFT })
    }

    /// Least cost of what follows the reset at this place, keyed here or (`later`) further on, and of what exposure comes
    /// before it then; `None`: some goal is lost.
    pub fn rest(&mut self, state: &State, place: usize, later: bool) -> Option<Packed> {
        let now: Vec<Class> = self.model.slots.iter().map(|slot| slot.class(state[slot.origin])).collect();
        let (rest, exposure) = self.last_reset.rest(&self.model, &now, place, later)?;
        Some(rest + (Packed::from(exposure) << EXPOSURE_SHIFT))
    }
}

/// The model of the whole problem with the allowed commands, in which every slot may hold anything.
fn whole_model(context: &Context, allowed: &[bool]) -> Option<Model> {
    let Context { problem, writes } = context;
    let moving: Vec<bool> =
        (0..problem.slots.len()).map(|slot| writes.iter().flatten().any(|write| write.slot == slot)).collect();
    let part = Part {
        slots: (0..problem.slots.len()).filter(|slot| moving[*slot]).collect(),
        commands: (0..problem.commands.len()).filter(|id| allowed[*id]).collect(),
        has_lifelines: true,
    };
    let reach = problem.slots.iter().map(|slot| ((1 << slot.values) - 1) | 1 << UNKNOWN).collect();
    let relevance = Relevance { reach, usable: allowed.to_vec(), relevant: allowed.to_vec(), moving };
    let source = Source { problem, writes, relevance: &relevance, from: &problem.start() };
    Model::of(&source, &part)
}

fn slots_of(model: &Model) -> Set {
    (0..model.slots.len()).fold(0, |set, slot| set | 1 << slot)
}

/// The reset by the slots of the model.
fn effects_of(context: &Context, reset: CommandId, model: &Model) -> ResetEffects {
    let local = |slot: SlotId| model.slots.iter().position(|other| other.origin == slot);
    let sets = context.writes[reset].iter().filter_map(|write| {
        let value = write.may.trailing_zeros() as u8;
        let slot = local(write.slot)?;
        Some((slot, model.slots[slot].class((value != UNKNOWN).then_some(value))))
    });
    let needs = context.problem.commands[reset].needs.iter().filter_map(|need| {
        let slot = local(need.slot)?;
        Some((slot, model.slots[slot].classes_in(Values::from(need.values.bits()))))
    });
    ResetEffects { needs: needs.collect(), sets: sets.collect(), least_ms: time_of(least_of(context.problem, reset)) }
}
