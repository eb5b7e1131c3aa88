//! The keybook that tests use: small, with one of everything.

use std::sync::Arc;

use super::{Keybook, read};

/// An invented two-button shore station.
pub(crate) const TERN: &str = r##"keybook: 1
model: tern-2
title: Tern two-button shore station (invented)
call:
  rings: 1
  greeting_ms: 6000
  open: "B{=access}#"
  close: "D"
  idle_ms: 15000
  limit_ms: 240000
tones:
  accepted: {beeps: 1, hz: 1000, on_ms: 200}
  refused:  {beeps: 3, hz: 400, on_ms: 120, off_ms: 120}
timing: {press_ms: 600, answer_ms: 1500, tone_ms: 100, gap_ms: 100}
dial_keys: {",": "C"}
settings:
  access:            {kind: secret, digits: [4, 8]}
  identity:          {kind: digits, digits: [1, 8], factory: "0", weight: locating}
  line.kind:         {kind: choice, values: {direct: "1", pbx: "2", ringdown: "3"}, factory: direct, weight: lifeline}
  emergency.primary: {kind: dial, digits: [1, 20], weight: lifeline}
  emergency.backup:  {kind: dial, digits: [0, 20], factory: "", weight: lifeline}
  lamp.follows:      {kind: flags, values: {emergency: 1, assistance: 2}, factory: []}
  gate.seconds:      {kind: number, min: 1, max: 99, width: 2, unit: s, factory: 5}
lifelines:
  emergency: [line.kind, emergency.primary]
  second: {backs: emergency, settings: [line.kind, emergency.backup]}
commands:
  - {command: identity,          keys: "10{identity}#"}
  - {command: line-kind,         keys: "30{line.kind}", also: {emergency.backup: factory}}
  - {command: emergency-primary, keys: "21{emergency.primary}#"}
  - {command: emergency-backup,  keys: "22{emergency.backup}#", needs: {line.kind: [direct, pbx]}}
  - {command: lamp,              keys: "41{lamp.follows}"}
  - {command: gate-time,         keys: "45{gate.seconds}"}
  - {command: access-code,       keys: "90{access}#{access}#"}
  - {command: factory-reset,     keys: "9999#", clears: all, keeps: [access], takes_ms: 8000}
"##;

/// The sample, read.
pub(crate) fn tern() -> Arc<Keybook> {
    keybook(TERN)
}

/// A text that must be without errors, read.
pub(crate) fn keybook(text: &str) -> Arc<Keybook> {
    let (keybook, findings) = read(&"k.yaml".into(), text.as_bytes());
    Arc::new(keybook.unwrap_or_else(|| panic!("{findings:#?}")))
}
