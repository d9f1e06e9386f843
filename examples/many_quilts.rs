//! Writes the folders of many practice quilts, for timing `rowsight tune`.
//!
//! `cargo run --release --example many_quilts -- FOLDER [quilts, default 10000]`, then
//! `/usr/bin/time -v rowsight tune FOLDER/*`

use rowsight::journal::Journal;
use rowsight::plan::file::{parse, to_toml};
use rowsight::rehearse::Advance;
use rowsight::rehearse::advances::{Policy, Quilter, play, records};
use std::path::Path;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let Some(folder) = arguments.get(1) else {
        eprintln!("give a folder");
        std::process::exit(2);
    };
    let count: u32 = arguments
        .get(2)
        .and_then(|a| a.parse().ok())
        .unwrap_or(10_000);
    let sample = include_str!("../sample-images/harvest/plan.toml");
    let mut plan = parse(sample).expect("the sample's plan is whole");
    plan.rows = 15;
    plan.length_mm = plan.spacing_mm * 15.0;
    let text = to_toml(&plan);
    let quilter = Quilter {
        advance: Advance::default(),
        growth_mm: 0.0,
        change: None,
        measurement_u_mm: 0.35,
        step_mm: None,
        may_show: false,
        policy: Policy::Advice { squares: true },
    };
    // One empty journal to copy: making one anew syncs the disk each time.
    let template = tempfile::tempdir().expect("a folder for the template");
    drop(Journal::open(template.path()).expect("a new journal"));
    let empty = std::fs::read(template.path().join("journal.db")).expect("the template");
    for number in 0..count {
        let place = Path::new(folder).join(format!("quilt-{number:05}"));
        std::fs::create_dir_all(&place).expect("a folder for the quilt");
        std::fs::write(place.join("plan.toml"), &text).expect("the plan");
        std::fs::write(place.join("journal.db"), &empty).expect("the journal");
        let database =
            rusqlite::Connection::open(place.join("journal.db")).expect("the journal opens");
        database
            .execute_batch("PRAGMA synchronous = OFF; BEGIN;")
            .expect("a transaction");
        for record in records(&plan, &quilter, &play(&plan, &quilter, u64::from(number))) {
            database
                .execute(
                    "INSERT INTO checks (row, saved, standing, record, plan, version)
                     VALUES (?1, '2026-01-01T12:00:00', 'current', ?2, '', '0')",
                    rusqlite::params![
                        record.rows.last().map_or(1, |r| r.row),
                        serde_json::to_string(&record).expect("a record is text")
                    ],
                )
                .expect("a check");
        }
        database.execute_batch("COMMIT").expect("committed");
    }
}
