//! Random play: fleets are edited, keyed, reported on, broken and restarted, and what the program says is held against what
//! the stations truly hold. No button that calls nobody may pass for one that works, and from every state there is a way on.
//!
//! The same seeds play the same. `STATIONKEEP_PLAY` says how many fleets are played (16 where nothing is said),
//! `STATIONKEEP_PLAY_FIRST` the first seed.

#[allow(dead_code)] // shared
#[path = "reference/dice.rs"]
mod dice;
#[path = "play/technician.rs"]
mod technician;
#[path = "play/truth.rs"]
mod truth;
#[path = "play/wanted.rs"]
mod wanted;
#[path = "play/world.rs"]
mod world;

use std::path::Path;
use std::sync::Arc;

use stationkeep::drift::{Rules, Standing, look};
use stationkeep::inventory::Station;
use stationkeep::keybook::{self, Held, SettingId};
use stationkeep::ledger::{Outcome, Record, State};
use stationkeep::script::{NoScript, Script, Way};
use stationkeep::setting::{Reference, Value};

use technician::{buttons, commands};
use truth::{Fallback, Real, fallbacks};
use wanted::Books;
use world::World;

/// Every change is proved by a call, and nothing is set aside.
pub const RULES: Rules = Rules { reconfirm_days: 365, require_tests: true };

const EVENTS: usize = 70;

fn books() -> Books {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let files = ["config/keybooks/tern-2.yaml", "config/keybooks/eider-1.yaml", "config/keybooks/petrel-3.yaml"];
    let files = files.into_iter().chain(["tests/play/skua.yaml", "tests/play/gannet.yaml"]);
    files
        .map(|file| {
            let text = std::fs::read(root.join(file)).expect("readable");
            let (book, findings) = keybook::read(&file.into(), &text);
            let mut book = book.unwrap_or_else(|| panic!("{findings:#?}"));
            book.seal(&world::codes());
            (book.model.clone(), Arc::new(book))
        })
        .collect()
}

/// One unit as everybody sees it at this moment.
struct Seen {
    key: usize,
    station: Arc<Station>,
    record: Record,
    standing: Standing,
}

impl Seen {
    fn of(world: &World, key: usize) -> Seen {
        let (station, record) = (world.station(key), world.record(key));
        let standing = look(&station, &record, RULES, world.now()).standing;
        Seen { key, station, record, standing }
    }

    /// The buttons that there are.
    fn there(&self, world: &World) -> impl Iterator<Item = &'static str> {
        let unit = world.unit(self.key);
        buttons(&unit.model).iter().filter(|button| unit.none.iter().all(|none| none != *button)).copied()
    }

    fn settings(&self, button: &str) -> &[SettingId] {
        let lifelines = &self.station.keybook.lifelines;
        &lifelines.iter().find(|one| *one.name == *button).expect("a lifeline").settings
    }

    /// The buttons of which everything is wanted or known.
    fn decided(&self, world: &World) -> Vec<&'static str> {
        let counts = |id: &SettingId| self.station.wanted(*id).is_some() || self.record.known(*id).is_some();
        self.there(world).filter(|button| self.settings(button).iter().all(counts)).collect()
    }

    /// Whether a button was tested once, or something of it is in doubt or was found against the record.
    fn was_known(&self, button: &str) -> bool {
        let at = self.station.keybook.lifelines.iter().position(|one| *one.name == *button).expect("a lifeline");
        let is_unsure = |id: &SettingId| {
            let holding = self.record.holding(*id);
            holding.strayed.is_some() || matches!(holding.state, State::InDoubt(_))
        };
        self.record.lifelines[at].last.is_some() || self.settings(button).iter().any(is_unsure)
    }
}

/// Whether a station truly holds what is said of it.
fn holds(world: &World, real: &Real, id: SettingId, value: &Value) -> bool {
    match (value, real.station.held(id)) {
        (Value::Secret(secret), Held::Code(code)) => {
            let printed = real.station.keybook().setting(id).factory_code.as_ref();
            let printed = printed.filter(|_| secret.reference == Reference::Factory);
            world.codes.code_of(secret).or(printed) == Some(code)
        }
        (value, Held::Known(held)) => value == held,
        (_, Held::Code(_) | Held::Unknown) => false,
    }
}

/// The record claims nothing that is not so.
fn the_record_is_true(world: &World, seen: &Seen) -> Result<(), String> {
    let real = &world.real[&seen.key];
    for id in seen.station.keybook.ids() {
        let name = &seen.station.keybook.setting(id).name;
        let truly = || format!("it truly holds {:?}", real.text(name));
        match &seen.record.holding(id).state {
            State::Known(value) if !holds(world, real, id, value) => {
                return Err(format!("{name} is on record as {value}, and {}", truly()));
            }
            State::InDoubt(values) if !values.iter().any(|value| holds(world, real, id, value)) => {
                return Err(format!("{name} is in doubt between {values:?}, and {}", truly()));
            }
            State::Known(_) | State::InDoubt(_) | State::Unknown => {}
        }
    }
    Ok(())
}

/// No button that calls nobody passes for one that works.
fn no_dead_button_is_believed_in(world: &World, seen: &Seen) -> Result<(), String> {
    let passes = match seen.standing {
        Standing::Aligned | Standing::Untested | Standing::Overdue => true,
        Standing::OutOfService | Standing::Adrift | Standing::InDoubt | Standing::Unproven => false,
    };
    match seen.decided(world).into_iter().find(|button| !world.real[&seen.key].works(button)) {
        Some(button) if passes => Err(format!("{button} calls nobody, and the station is {}", seen.standing)),
        Some(_) | None => Ok(()),
    }
}

/// No button that was known or tested once is forgotten: where it calls nobody, something is said of it.
fn no_button_is_forgotten(world: &World, seen: &Seen) -> Result<(), String> {
    let is_silent = match seen.standing {
        Standing::Aligned | Standing::Overdue => true,
        Standing::OutOfService | Standing::Adrift | Standing::InDoubt | Standing::Unproven | Standing::Untested => {
            false
        }
    };
    let forgotten = seen.there(world).find(|button| !world.real[&seen.key].works(button) && seen.was_known(button));
    match forgotten.filter(|_| is_silent) {
        Some(button) => Err(format!("{button} calls nobody, and the station is {}", seen.standing)),
        None => Ok(()),
    }
}

/// No second number that is wanted and not there passes for one that is.
fn no_missing_second_number_is_believed_in(world: &World, seen: &Seen) -> Result<(), String> {
    let (unit, book) = (world.unit(seen.key), &seen.station.keybook);
    let is_aligned = matches!(seen.standing, Standing::Aligned | Standing::Untested | Standing::Overdue);
    let is_there = |one: &&Fallback| unit.none.iter().all(|none| none != one.button && none != one.name);
    for fallback in fallbacks(&unit.model).iter().filter(is_there) {
        let wanted = book.id(fallback.number).and_then(|id| seen.station.wanted(id));
        let is_filled = |value: &Value| matches!(value, Value::Dial(number) if !number.is_empty());
        let is_wanted = wanted.is_some_and(|wanted| is_filled(&wanted.value));
        let proof = book.lifelines.iter().position(|one| *one.name == *fallback.name).expect("a lifeline");
        let has_failed = matches!(seen.record.lifelines[proof].last, Some((Outcome::Failed, _)));
        let is_missing = !world.real[&seen.key].is_filled(fallback.number);
        if is_wanted && is_aligned && (has_failed || is_missing) {
            return Err(format!("{} calls nobody, and the station is {}", fallback.name, seen.standing));
        }
    }
    Ok(())
}

/// Keys a script into the true station: it lands, and then every button works that anybody knows all of.
fn a_script_lands(world: &World, seen: &Seen, script: &Script, way: Way) -> Result<(), String> {
    let mut real = world.real[&seen.key].clone();
    let before = real.clone();
    let told = || format!("{way:?} {:?}", commands(script));
    world.key_all(script, &mut real).map_err(|why| format!("{}: {why}", told()))?;
    for id in seen.station.keybook.ids().filter(|_| way == Way::There) {
        let name = &seen.station.keybook.setting(id).name;
        let lands = match seen.station.wanted(id) {
            Some(wanted) => holds(world, &real, id, &wanted.value),
            None => seen.record.known(id).is_none() || real.station.held(id) == before.station.held(id),
        };
        if !lands {
            return Err(format!("{}: {name} ends as {:?}", told(), real.text(name)));
        }
    }
    let is_promised = |button: &str| way == Way::There || ends_known(seen, script, button);
    let stays = |button: &str| way == Way::There && stays_as_it_is(seen, &before, &real, button);
    let wrong = |button: &&str| !real.works(button) && is_promised(button) && !stays(button);
    match seen.decided(world).into_iter().find(wrong) {
        Some(button) => Err(format!("{}: {button} still calls nobody", told())),
        None => Ok(()),
    }
}

/// Whether all that a button takes is known after a script: a way back leaves alone what nobody knows.
fn ends_known(seen: &Seen, script: &Script, button: &str) -> bool {
    let keybook = &seen.station.keybook;
    let own = keybook.lifelines.iter().filter(|one| *one.name == *button).flat_map(|one| &one.settings);
    let steps = || script.calls.iter().flat_map(|call| &call.steps);
    own.into_iter().all(|id| {
        let name = &keybook.setting(*id).name;
        seen.record.known(*id).is_some() || steps().any(|step| step.sets.contains_key(name))
    })
}

/// Whether a button was dead before, which is said first, and its settings are left alone, but for those that another has too:
/// what makes it dead is for people to decide.
fn stays_as_it_is(seen: &Seen, before: &Real, after: &Real, button: &str) -> bool {
    let lifelines = &seen.station.keybook.lifelines;
    let own = lifelines.iter().filter(|one| *one.name == *button).flat_map(|one| &one.settings);
    let is_shared = |id: &SettingId| {
        lifelines.iter().any(|one| *one.name != *button && one.backs.is_none() && one.settings.contains(id))
    };
    let is_same = |id: &SettingId| before.station.held(*id) == after.station.held(*id);
    seen.standing == Standing::OutOfService
        && !before.works(button)
        && own.into_iter().all(|id| is_same(id) || is_shared(id))
}

fn is_a_reason(why: &NoScript) -> bool {
    match why {
        NoScript::GaveUp | NoScript::TooLarge(_) | NoScript::Unproved(_) | NoScript::Unsound(_) => false,
        _ => !why.to_string().is_empty(),
    }
}

/// From every state there are keys that end with working buttons, or it is said what stands in the way.
fn there_is_a_way_on(world: &mut World, seen: &Seen) -> Result<(), String> {
    match world.script(seen.key, Way::There) {
        Ok(Some(script)) if !script.calls.is_empty() => a_script_lands(world, seen, &script, Way::There)?,
        Ok(_) => {
            let dead = seen.decided(world).into_iter().find(|button| !world.real[&seen.key].works(button));
            if let Some(button) = dead.filter(|_| seen.standing != Standing::OutOfService) {
                return Err(format!("{button} calls nobody, and there is nothing to key"));
            }
        }
        Err(why) if is_a_reason(&why) => {}
        Err(why) => return Err(why.to_string()),
    }
    let has_failed = seen.record.lifelines.iter().any(|proof| matches!(proof.last, Some((Outcome::Failed, _))));
    match world.script(seen.key, Way::Back) {
        Ok(Some(script)) if has_failed => a_script_lands(world, seen, &script, Way::Back),
        Ok(_) => Ok(()),
        Err(why) if is_a_reason(&why) => Ok(()),
        Err(why) => Err(why.to_string()),
    }
}

fn everything_holds(world: &mut World) -> Result<(), (usize, String)> {
    for key in world.keys() {
        if world.lied.contains_key(&key) || world.unreported.contains(&key) {
            continue;
        }
        let seen = Seen::of(world, key);
        let all = the_record_is_true(world, &seen)
            .and_then(|()| no_dead_button_is_believed_in(world, &seen))
            .and_then(|()| no_button_is_forgotten(world, &seen))
            .and_then(|()| no_missing_second_number_is_believed_in(world, &seen))
            .and_then(|()| there_is_a_way_on(world, &seen));
        all.map_err(|why| (key, why))?;
    }
    Ok(())
}

fn play(seed: u64, books: &Books) -> Result<(), String> {
    let mut world = World::new(seed, books);
    for nth in 0..EVENTS {
        world.event();
        if let Err((key, why)) = everything_holds(&mut world) {
            let told = world.told.join("\n");
            let name = &world.unit(key).name;
            return Err(format!(
                "{told}\n{}\nseed {seed}, event {nth}, unit {key} ({name}): {why}",
                world.wanted.text()
            ));
        }
    }
    Ok(())
}

fn from_env(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

#[test]
fn no_button_that_calls_nobody_is_believed_to_work_and_from_every_state_there_is_a_way_on() {
    let books = books();
    let (first, count) = (from_env("STATIONKEEP_PLAY_FIRST", 0), from_env("STATIONKEEP_PLAY", 16));
    let failed: Vec<String> = (first..first + count).filter_map(|seed| play(seed, &books).err()).collect();
    let last_lines = failed.iter().filter_map(|why| why.lines().last()).collect::<Vec<_>>().join("\n");
    if let Some(shortest) = failed.iter().min_by_key(|why| why.len()) {
        panic!("{shortest}\n\n{} of {count} fail:\n{last_lines}", failed.len());
    }
}
