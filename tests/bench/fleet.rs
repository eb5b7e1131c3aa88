//! The bench of a whole fleet: from texts to ordered scripts, in one thread, with no daemon around it.
//!
//! `fleet write FOLDER STATIONS` makes the texts of a fleet; `fleet measure FOLDER` reads them and prints, as JSON,
//! what each stage took in CPU seconds and what it found; `fleet front FOLDER` what checking its files took beside a bare
//! parse of the same bytes. `tests/bench/run` does all of it and sets another reading beside it.
//! `fleet edits FOLDER` measures what reading again costs after an edit,
//! `fleet start FOLDER` what a start costs, with records folded anew and recalled, and what a report takes on the disk,
//! `fleet brake FOLDER` what the brake's judgement costs a pass, `fleet commits FILES` an inventory read from a git repository.

mod brake;
mod commits;
mod edits;
mod front;
mod measure;
mod start;
mod writer;

use std::path::Path;
use std::process::ExitCode;

fn main() -> ExitCode {
    // `cargo bench` adds a word of its own.
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["write", folder, stations] => match stations.parse() {
            Ok(stations) if (1..=writer::MOST).contains(&stations) => writer::write(Path::new(folder), stations),
            Ok(_) | Err(_) => return usage(),
        },
        ["commits", files] => match files.parse() {
            Ok(files) if (10..=commits::MOST).contains(&files) => commits::measure(files),
            Ok(_) | Err(_) => return usage(),
        },
        ["front", folder] => println!("{}", front::measure(Path::new(folder))),
        ["edits", folder] => println!("{}", edits::measure(Path::new(folder))),
        ["brake", folder] => println!("{}", brake::measure(Path::new(folder))),
        ["start", folder] => println!("{}", start::measure(Path::new(folder))),
        ["measure", folder] => println!("{}", measure::measure(Path::new(folder))),
        [] => println!("This one is run by tests/bench/run."),
        _ => return usage(),
    }
    ExitCode::SUCCESS
}

fn usage() -> ExitCode {
    eprintln!(
        "usage: fleet write FOLDER STATIONS (1 to {}) | fleet measure FOLDER | fleet front FOLDER | fleet edits FOLDER | \
         fleet brake FOLDER | fleet start FOLDER | fleet commits FILES",
        writer::MOST
    );
    ExitCode::from(2)
}
