//! Texts that nobody would write, through the real readers: keybook, inventory, report, sheet and configuration.
//!
//! Samples of the project are taken apart and put together wrongly, seed by seed, for a bounded time: about five seconds
//! a kind here and in CI, longer by hand:
//!
//!     STATIONKEEP_FUZZ_SECONDS=900 cargo test --release --test fuzz -- --nocapture
//!
//! What must hold of every text: no reader panics or takes long; every finding stands inside the text, has a message
//! and a fix, and is told once; an exact fix fixes what it stands for; a sound text reads the same with a byte order
//! mark and Windows line ends, and a sound report comes back from the ledger as it was. A case that breaks this is
//! printed with its seed; `STATIONKEEP_FUZZ_SEED` begins there.

mod mutate;
mod properties;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

use mutate::{Chance, mutated};
use properties::{Kind, broken};

/// No text of the size tried here may take longer, in a build without optimisation on a busy machine.
const SLOW: Duration = Duration::from_secs(10);

fn number(variable: &str, default: u64) -> u64 {
    match std::env::var(variable) {
        Ok(text) => text.parse().unwrap_or_else(|_| panic!("{variable} is not a number: {text}")),
        Err(_) => default,
    }
}

/// Tries texts of a kind until the time is over.
fn fuzz(kind: Kind) {
    let time = Duration::from_secs(number("STATIONKEEP_FUZZ_SECONDS", 5));
    let first = number("STATIONKEEP_FUZZ_SEED", 1);
    let samples = kind.samples();
    let start = Instant::now();
    let (mut seed, mut sound, mut slowest) = (first, 0u64, (Duration::ZERO, first));
    while start.elapsed() < time || seed == first {
        let text = mutated(&samples, &mut Chance::new(seed));
        let began = Instant::now();
        let outcome = catch_unwind(AssertUnwindSafe(|| broken(kind, &text)));
        let took = began.elapsed();
        slowest = slowest.max((took, seed));
        let fault = match outcome {
            Ok(Ok(is_sound)) => {
                sound += u64::from(is_sound);
                (took > SLOW).then(|| format!("it took {took:?}"))
            }
            Ok(Err(fault)) => Some(fault),
            Err(_) => Some("it panicked".into()),
        };
        if let Some(fault) = fault {
            let shown = String::from_utf8_lossy(&text);
            panic!("{kind:?}, STATIONKEEP_FUZZ_SEED={seed}: {fault}\n{shown}\n{:?}", text.escape_ascii().to_string());
        }
        seed += 1;
    }
    let tried = seed - first;
    println!("{kind:?}: {tried} texts, {sound} of them sound, the slowest, {}, took {:?}", slowest.1, slowest.0);
    assert!(sound > 0, "no text of {tried} was sound, so that half of the properties were never tried");
    assert!(sound < tried, "every text was sound, so that nothing was tried");
}

#[test]
fn no_text_makes_the_reader_of_keybooks_fail() {
    fuzz(Kind::Keybook);
}

#[test]
fn no_text_makes_the_reader_of_inventories_fail() {
    fuzz(Kind::Inventory);
}

#[test]
fn no_text_makes_the_reader_of_reports_fail() {
    fuzz(Kind::Report);
}

#[test]
fn no_text_makes_the_reader_of_sheets_fail() {
    fuzz(Kind::Sheet);
}

#[test]
fn no_text_makes_the_reader_of_configurations_fail() {
    fuzz(Kind::Config);
}
