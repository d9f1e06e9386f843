//! What can be saved of a damaged journal.

use super::{FILE_NAME, Journal, JournalError, error, io_error};
use crate::record::Record;
use rusqlite::{Connection, OpenFlags};
use std::path::{Path, PathBuf};

/// What a repair saved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Repaired {
    /// Checks that could be read and are in the new journal.
    pub checks: usize,
    /// Where the old file lies.
    pub copy: PathBuf,
}

/// Saves what can be read of a damaged journal into a new one, row by row. Where the file's header is lost, a
/// new journal's stands in for it. The old file is copied first and is never changed; the new one takes its place only when it is complete. Notes, habits and photos come
/// along as far as they can be read.
///
/// # Errors
///
/// [`JournalError`]; everything is then as it was, but for the copy.
pub fn repair(folder: &Path) -> Result<Repaired, JournalError> {
    let path = folder.join(FILE_NAME);
    let failed = |e: std::io::Error| io_error(&path, &e);
    let copy = (1..)
        .map(|n| folder.join(format!("journal-before-repair-{n}.db")))
        .find(|copy| !copy.exists())
        .unwrap_or_else(|| folder.join("journal-before-repair.db"));
    std::fs::copy(&path, &copy).map_err(failed)?;
    let place = tempfile::tempdir_in(folder).map_err(failed)?;
    let mut fresh = Journal::open(place.path())?;
    let new_path = fresh.path();
    let wrap = |e| error(&new_path, e);
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let readable = with_a_header(&copy, &new_path, place.path()).map_err(failed)?;
    let old = Connection::open_with_flags(&readable, flags).map_err(|e| error(&readable, e))?;
    let transaction = fresh.database.transaction().map_err(wrap)?;
    let mut checks = 0;
    // Photos before what refers to them, checks before photos of checks and notes.
    for (table, columns) in [
        ("photos", "sha256, file, came_from"),
        (
            "checks",
            "id, row, saved, standing, record, fingerprint, plan, version",
        ),
        ("check_photos", "check_id, ordinal, sha256"),
        ("notes", "id, check_id, text"),
        ("habits", "id, row, name, value, saved"),
        ("finished", "id, saved, record, plan, version"),
        ("finished_photos", "finished_id, ordinal, sha256"),
    ] {
        let count = columns.split(',').count();
        let marks = vec!["?"; count].join(", ");
        let insert = format!("INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})");
        let mut misses = 0;
        for id in 1.. {
            if misses > LONGEST_RUN {
                break;
            }
            let row: Result<Vec<rusqlite::types::Value>, _> = old.query_row(
                &format!("SELECT {columns} FROM {table} WHERE rowid = ?1"),
                [id],
                |r| (0..count).map(|i| r.get(i)).collect(),
            );
            let whole = |row: &[rusqlite::types::Value]| {
                table != "checks"
                    || matches!(&row[4], rusqlite::types::Value::Text(t)
                        if serde_json::from_str::<Record>(t).is_ok())
            };
            let Some(row) = row.ok().filter(|row| whole(row)) else {
                misses += 1;
                continue;
            };
            misses = 0;
            // What refers to a lost row is lost with it.
            let kept = transaction.execute(&insert, rusqlite::params_from_iter(row));
            if table == "checks" && kept.is_ok_and(|n| n == 1) {
                checks += 1;
            }
        }
    }
    transaction.commit().map_err(wrap)?;
    drop(fresh);
    drop(old);
    std::fs::rename(&new_path, &path).map_err(failed)?;
    Ok(Repaired { checks, copy })
}

/// Bytes of the header of an SQLite file, which begins with these words ("Database File Format", sqlite.org).
const HEADER: usize = 100;
const BEGINS_WITH: &[u8] = b"SQLite format 3\0";

/// The file to read a damaged journal from: itself, or, where it does not begin as it should, another copy of it
/// with the header of a new journal and its own number of pages.
fn with_a_header(copy: &Path, new: &Path, place: &Path) -> std::io::Result<PathBuf> {
    let mut bytes = std::fs::read(copy)?;
    let header = std::fs::read(new)?;
    if bytes.starts_with(BEGINS_WITH) || bytes.len() <= HEADER || header.len() <= HEADER {
        return Ok(copy.to_owned());
    }
    bytes[..HEADER].copy_from_slice(&header[..HEADER]);
    let page = u32::from(u16::from_be_bytes([header[16], header[17]])).max(512);
    let pages = (bytes.len() as u32 / page).to_be_bytes();
    bytes[28..32].copy_from_slice(&pages);
    // No list of free pages is known; the count holds as of the change that the header tells.
    bytes[32..40].fill(0);
    bytes.copy_within(24..28, 92);
    let path = place.join("with-a-header.db");
    std::fs::write(&path, bytes)?;
    Ok(path)
}

/// Ids are given out from 1; a run of misses longer than this is the end of a table.
const LONGEST_RUN: i64 = 100;

/// How many checks of a damaged journal can still be read, one by one.
pub fn readable_checks(folder: &Path) -> usize {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let Ok(database) = Connection::open_with_flags(folder.join(FILE_NAME), flags) else {
        return 0;
    };
    let (mut found, mut last, mut id) = (0, 0, 1);
    while id - last <= LONGEST_RUN {
        let record: Result<String, _> =
            database.query_row("SELECT record FROM checks WHERE id = ?1", [id], |r| {
                r.get(0)
            });
        if record.is_ok_and(|r| serde_json::from_str::<Record>(&r).is_ok()) {
            (found, last) = (found + 1, id);
        }
        id += 1;
    }
    found
}
