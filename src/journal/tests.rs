use super::*;
use crate::record::{Action, RowRecord, SCHEMA, VerdictRecord, XOrigin};
use crate::units::Uncertain;
use std::io::Write;

fn record(row: u32, offset: f64) -> Record {
    let zero = Uncertain::default();
    Record {
        schema: SCHEMA.to_owned(),
        photos: Vec::new(),
        rows: vec![RowRecord {
            row,
            x_origin: XOrigin::View,
            seen_from_mm: -500.0,
            seen_to_mm: 500.0,
            offset_mm: Uncertain {
                value: offset,
                u: 0.1,
            },
            slope_mm_per_m: zero,
            bow_mm: zero,
            shift_mm: zero,
            wobble_mm: 0.5,
            coverage: 1.0,
            missed: Vec::new(),
            missed_in_photo: Vec::new(),
            off_design: Vec::new(),
            chance: None,
        }],
        gaps: Vec::new(),
        drift: Vec::new(),
        verdict: VerdictRecord {
            action: Action::CarryOn,
            reasons: Vec::new(),
            next_advance_mm: None,
        },
    }
}

fn print() -> Fingerprint {
    Fingerprint {
        samples_per_repeat: 2,
        hundredths_mm: vec![Some(1), None],
    }
}

fn save(
    journal: &mut Journal,
    row: u32,
    offset: f64,
    photos: &[KeptPhoto],
) -> Result<i64, JournalError> {
    let record = record(row, offset);
    journal.save(&NewCheck {
        row,
        record: &record,
        fingerprint: &print(),
        photos,
        plan: "",
    })
}

fn offsets(journal: &Journal) -> Vec<(u32, f64)> {
    let current = journal.current().unwrap();
    current
        .iter()
        .map(|c| (c.row, c.record.rows[0].offset_mm.value))
        .collect()
}

#[test]
fn a_retake_takes_the_place_and_undo_and_restore_go_back_and_forth() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(folder.path()).unwrap();
    for (row, offset) in [(1, 1.0), (2, 2.0), (2, 2.5)] {
        save(&mut journal, row, offset, &[]).unwrap();
    }
    assert_eq!(offsets(&journal), [(1, 1.0), (2, 2.5)]);
    assert_eq!(journal.undo().unwrap(), 2);
    assert_eq!(offsets(&journal), [(1, 1.0), (2, 2.0)]);
    assert_eq!(journal.undo().unwrap(), 2);
    assert_eq!(offsets(&journal), [(1, 1.0)]);
    assert_eq!(journal.restore().unwrap(), 2);
    assert_eq!(offsets(&journal), [(1, 1.0), (2, 2.0)]);
    assert_eq!(journal.restore().unwrap(), 2);
    assert_eq!(offsets(&journal), [(1, 1.0), (2, 2.5)]);
    assert!(matches!(journal.restore(), Err(JournalError::Nothing(_))));
    // Nothing was erased on the way.
    assert_eq!(journal.history().unwrap().len(), 3);
}

#[test]
fn notes_stay_with_their_row() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(folder.path()).unwrap();
    assert!(matches!(
        journal.add_note(None, "x"),
        Err(JournalError::Nothing(_))
    ));
    save(&mut journal, 1, 0.0, &[]).unwrap();
    save(&mut journal, 2, 0.0, &[]).unwrap();
    assert_eq!(journal.add_note(Some(1), "side straps on").unwrap(), 1);
    assert_eq!(journal.add_note(None, "new bobbin").unwrap(), 2);
    let current = journal.current().unwrap();
    assert_eq!(current[0].notes, ["side straps on"]);
    assert_eq!(current[1].notes, ["new bobbin"]);
    assert_eq!(current[0].fingerprint, Some(print()));
}

#[test]
fn a_photo_is_kept_once_by_its_content() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(folder.path()).unwrap();
    let photo = KeptPhoto {
        sha256: "abc123",
        path: Path::new("a b ü.JPG"),
        bytes: b"picture",
    };
    save(&mut journal, 1, 0.0, &[photo]).unwrap();
    save(&mut journal, 2, 0.0, &[photo]).unwrap();
    let kept: Vec<_> = std::fs::read_dir(folder.path().join(PHOTO_FOLDER))
        .unwrap()
        .collect();
    assert_eq!(kept.len(), 1);
    let kept = kept[0].as_ref().unwrap().path();
    assert_eq!(std::fs::read(&kept).unwrap(), b"picture");
    assert_eq!(kept.file_name().unwrap(), "abc123.jpg");
}

#[test]
fn an_older_journal_is_brought_up_to_date_and_keeps_its_checks() {
    let folder = tempfile::tempdir().unwrap();
    let old = Connection::open(folder.path().join(FILE_NAME)).unwrap();
    old.execute_batch(&schema::first_step()).unwrap();
    let json = serde_json::to_string(&record(1, 7.0)).unwrap();
    old.execute(
        "INSERT INTO checks (row, saved, standing, record, plan, version)
         VALUES (1, '2026-01-02T03:04:05', 'current', ?1, '', '0.0')",
        [json],
    )
    .unwrap();
    drop(old);
    let mut journal = Journal::open(folder.path()).unwrap();
    assert_eq!(offsets(&journal), [(1, 7.0)]);
    assert_eq!(journal.current().unwrap()[0].fingerprint, None);
    save(&mut journal, 2, 1.0, &[]).unwrap();
    assert_eq!(offsets(&journal).len(), 2);
}

#[test]
fn foreign_newer_and_damaged_files_are_refused_untouched() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join(FILE_NAME);
    std::fs::write(
        &file,
        "this is a text, longer than a database header would be, by a good deal of it",
    )
    .unwrap();
    let before = std::fs::read(&file).unwrap();
    assert!(matches!(
        Journal::open(folder.path()),
        Err(JournalError::Foreign { .. })
    ));
    assert_eq!(std::fs::read(&file).unwrap(), before);

    std::fs::remove_file(&file).unwrap();
    let other = Connection::open(&file).unwrap();
    other
        .execute_batch("CREATE TABLE recipes (x); PRAGMA user_version = 1;")
        .unwrap();
    drop(other);
    assert!(matches!(
        Journal::open(folder.path()),
        Err(JournalError::Foreign { .. })
    ));

    std::fs::remove_file(&file).unwrap();
    drop(Journal::open(folder.path()).unwrap());
    let newer = Connection::open(&file).unwrap();
    newer.execute_batch("PRAGMA user_version = 99;").unwrap();
    drop(newer);
    assert!(matches!(
        Journal::open(folder.path()),
        Err(JournalError::Newer { found: 99, .. })
    ));
}

/// A disk that is full, as SQLite sees it: no page may be added (SQLITE_FULL, sqlite.org/rescode.html).
#[test]
fn a_full_disk_leaves_the_journal_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(folder.path()).unwrap();
    save(&mut journal, 1, 1.0, &[]).unwrap();
    let pages: i64 = journal
        .database
        .query_row("PRAGMA page_count", [], |r| r.get(0))
        .unwrap();
    let _: i64 = journal
        .database
        .query_row(&format!("PRAGMA max_page_count = {pages}"), [], |r| {
            r.get(0)
        })
        .unwrap();
    let mut big = record(2, 2.0);
    big.verdict.reasons = vec!["x".repeat(200_000)];
    let failed = journal.save(&NewCheck {
        row: 2,
        record: &big,
        fingerprint: &print(),
        photos: &[],
        plan: "",
    });
    assert!(
        matches!(failed, Err(JournalError::Full { .. })),
        "{failed:?}"
    );
    assert_eq!(offsets(&journal), [(1, 1.0)]);
}

#[test]
fn two_writers_at_once_lose_nothing() {
    let folder = tempfile::tempdir().unwrap();
    drop(Journal::open(folder.path()).unwrap());
    std::thread::scope(|scope| {
        for who in 0..2u32 {
            let path = folder.path();
            scope.spawn(move || {
                let mut journal = Journal::open(path).unwrap();
                for k in 0..6 {
                    save(&mut journal, 1 + who + 2 * k, f64::from(k), &[]).unwrap();
                }
                // And both the same row.
                save(&mut journal, 20, f64::from(who), &[]).unwrap();
            });
        }
    });
    let journal = Journal::open(folder.path()).unwrap();
    let rows: Vec<u32> = journal.current().unwrap().iter().map(|c| c.row).collect();
    assert_eq!(rows, (1..=12).chain([20]).collect::<Vec<_>>());
    assert_eq!(journal.history().unwrap().len(), 14);
}

/// The test program calls itself as the writer that is killed.
#[test]
fn what_was_acknowledged_is_there_after_a_kill() {
    const CHILD: &str = "ROWSIGHT_TEST_JOURNAL_WRITER";
    if let Ok(folder) = std::env::var(CHILD) {
        let mut journal = Journal::open(Path::new(&folder)).unwrap();
        for row in 1..2000 {
            save(&mut journal, row, 0.0, &[]).unwrap();
            println!("saved {row}");
            std::io::stdout().flush().unwrap();
        }
        return;
    }
    use std::io::{BufRead, BufReader};
    for kill_after in [1u32, 4, 9] {
        let folder = tempfile::tempdir().unwrap();
        let mut child = std::process::Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "journal::tests::what_was_acknowledged_is_there_after_a_kill",
                "--nocapture",
            ])
            .env(CHILD, folder.path())
            .stdout(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        let mut acknowledged = 0;
        for line in BufReader::new(child.stdout.take().unwrap()).lines() {
            let line = line.unwrap();
            if let Some(row) = line
                .rsplit("saved ")
                .next()
                .and_then(|r| r.parse::<u32>().ok())
            {
                acknowledged = row;
                if row >= kill_after {
                    break;
                }
            }
        }
        child.kill().unwrap();
        child.wait().unwrap();
        let journal = Journal::open(folder.path()).unwrap();
        let rows = journal.current().unwrap().len() as u32;
        assert!(
            rows >= acknowledged && acknowledged >= kill_after,
            "{rows} of {acknowledged}"
        );
        let whole: String = journal
            .database
            .query_row("PRAGMA integrity_check", [], |r| r.get(0))
            .unwrap();
        assert_eq!(whole, "ok");
    }
}

/// Bytes in the middle of the file are overwritten, as a failing disk does.
#[test]
fn a_damaged_journal_is_repaired_as_far_as_it_can_be_read_and_the_old_file_kept() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(folder.path()).unwrap();
    for row in 1..=30 {
        save(&mut journal, row, f64::from(row), &[]).unwrap();
    }
    journal
        .add_habit(&Habit {
            row: 5,
            name: "straps".into(),
            value: "yes".into(),
        })
        .unwrap();
    drop(journal);
    let file = folder.path().join(FILE_NAME);
    let mut bytes = std::fs::read(&file).unwrap();
    // The page that holds row 12's record.
    let words = b"\"value\":12.0";
    let found = bytes.windows(words.len()).position(|w| w == words).unwrap();
    let at = found / 4096 * 4096;
    bytes[at..at + 4096].fill(0xA5);
    std::fs::write(&file, &bytes).unwrap();
    let damaged = read_gaps(folder.path());
    assert!(
        matches!(damaged, Err(JournalError::Damaged { .. })),
        "{damaged:?}"
    );
    let readable = readable_checks(folder.path());
    assert!((1..30).contains(&readable), "{readable}");

    let repaired = repair(folder.path()).unwrap();
    assert_eq!(repaired.checks, readable);
    assert_eq!(std::fs::read(&repaired.copy).unwrap(), bytes);
    let journal = Journal::open(folder.path()).unwrap();
    assert_eq!(journal.current().unwrap().len(), readable);
    assert_eq!(journal.habits().unwrap().len(), 1);
    assert!(
        offsets(&journal)
            .iter()
            .all(|(row, at)| f64::from(*row) == *at)
    );
}

#[test]
fn habits_wait_for_their_row_and_old_journals_have_none() {
    let folder = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(folder.path()).unwrap();
    let straps = Habit {
        row: 9,
        name: "straps".into(),
        value: "yes".into(),
    };
    journal.add_habit(&straps).unwrap();
    assert_eq!(
        journal.habits().unwrap()[..],
        *std::slice::from_ref(&straps)
    );
    assert_eq!(
        read_gaps(folder.path()).unwrap(),
        (Vec::new(), vec![straps])
    );
    let old = tempfile::tempdir().unwrap();
    let database = Connection::open(old.path().join(FILE_NAME)).unwrap();
    database.execute_batch(&schema::first_step()).unwrap();
    drop(database);
    assert_eq!(read_gaps(old.path()).unwrap(), (Vec::new(), Vec::new()));
    // Opened to write, it is brought up to date and has room for habits.
    assert_eq!(Journal::open(old.path()).unwrap().habits().unwrap(), []);
}

fn finished_record(judgement: &str) -> crate::finished::FinishedRecord {
    let none = Uncertain::default();
    crate::finished::FinishedRecord {
        schema: crate::finished::SCHEMA.to_owned(),
        judgement: judgement.to_owned(),
        photos: Vec::new(),
        not_used: Vec::new(),
        plan_rows: 2,
        rows_found: 1,
        shrinkage: crate::finished::Shrinkage {
            across: none,
            down: none,
        },
        rows: record(1, 0.0).rows,
        gaps: Vec::new(),
        drift: Vec::new(),
        drift_as_shrunk: Vec::new(),
        edges: None,
        drift_from_edge: None,
        relative: crate::finished::Relative::default(),
        notes: Vec::new(),
    }
}

/// The tables of an older journal get room for it; rows of the frame and the finished quilt stay apart.
#[test]
fn the_finished_quilt_is_kept_apart_from_the_rows_and_the_newest_measurement_counts() {
    let folder = tempfile::tempdir().unwrap();
    let old = Connection::open(folder.path().join(FILE_NAME)).unwrap();
    old.execute_batch(&schema::first_step()).unwrap();
    drop(old);
    let mut journal = Journal::open(folder.path()).unwrap();
    assert_eq!(journal.finished().unwrap(), None);
    save(&mut journal, 1, 3.0, &[]).unwrap();
    let photo = KeptPhoto {
        sha256: "0123456789abcdef0123456789abcdef",
        path: Path::new("whole.jpg"),
        bytes: b"picture",
    };
    for judgement in ["first", "second"] {
        journal
            .save_finished(&NewFinished {
                record: &finished_record(judgement),
                photos: &[photo],
                plan: "",
            })
            .unwrap();
    }
    assert_eq!(
        journal.finished().unwrap().unwrap().record,
        finished_record("second")
    );
    assert_eq!(offsets(&journal), [(1, 3.0)]);
    let kept = std::fs::read_dir(folder.path().join(PHOTO_FOLDER)).unwrap();
    assert_eq!(kept.count(), 1);
    // A repaired journal still has it.
    drop(journal);
    repair(folder.path()).unwrap();
    let journal = Journal::open(folder.path()).unwrap();
    assert_eq!(
        journal.finished().unwrap().unwrap().record,
        finished_record("second")
    );
}

#[test]
fn a_folder_where_the_journal_should_be_is_named() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join(FILE_NAME)).unwrap();
    let errors = [
        Journal::open(folder.path()).map(|_| ()),
        Journal::open_to_read(folder.path()).map(|_| ()),
        read_gaps(folder.path()).map(|_| ()),
        repair(folder.path()).map(|_| ()),
    ];
    for error in errors {
        let error = error.unwrap_err().to_string();
        assert!(error.contains("journal.db is a folder"), "{error}");
    }
}

/// Row 2 was not photographed; the photo of row 3 shows the gap above it all the same.
#[test]
fn a_gap_above_a_row_that_was_not_checked_comes_from_a_later_check() {
    let place = tempfile::tempdir().unwrap();
    let mut journal = Journal::open(place.path()).unwrap();
    let gap = |from_row: u32, plan_mm: f64| GapRecord {
        from_row,
        to_row: from_row + 1,
        plan_mm,
        clearance_mm: None,
        plan_clearance_mm: None,
        clearance_x_mm: None,
        clearance_row: None,
        spacing: Vec::new(),
        skew_mm_per_m: Uncertain::default(),
        bow_mm: Uncertain::default(),
    };
    for (row, gaps) in [
        (1, vec![]),
        (3, vec![gap(1, 150.0), gap(2, 151.0)]),
        (4, vec![gap(2, 999.0), gap(3, 152.0)]),
    ] {
        let record = Record {
            gaps,
            ..record(row, 0.0)
        };
        let fingerprint = Fingerprint {
            samples_per_repeat: 0,
            hundredths_mm: Vec::new(),
        };
        let check = NewCheck {
            row,
            record: &record,
            fingerprint: &fingerprint,
            photos: &[],
            plan: "",
        };
        journal.save(&check).unwrap();
    }
    let gaps = gaps_of(&journal.current().unwrap());
    let told: Vec<(u32, f64)> = gaps.iter().map(|g| (g.to_row, g.plan_mm)).collect();
    assert_eq!(told, [(2, 150.0), (3, 151.0), (4, 152.0)]);
}
