//! Tables of the journal, version by version.

use super::{JournalError, error};
use rusqlite::Connection;
use std::path::Path;

/// "rowS" in ASCII: marks the file as ours (SQLite's `PRAGMA application_id`).
const APPLICATION_ID: i64 = 0x726F_7753;

/// What brings the tables from version i to version i + 1.
const STEPS: [&str; 4] = [
    "CREATE TABLE checks (
        id INTEGER PRIMARY KEY,
        row INTEGER NOT NULL CHECK (row >= 1),
        saved TEXT NOT NULL,
        standing TEXT NOT NULL CHECK (standing IN ('current', 'retaken', 'undone')),
        record TEXT NOT NULL,
        plan TEXT NOT NULL,
        version TEXT NOT NULL
    ) STRICT;
    CREATE UNIQUE INDEX one_current_check_a_row ON checks (row) WHERE standing = 'current';
    CREATE TABLE photos (
        sha256 TEXT PRIMARY KEY,
        file TEXT NOT NULL,
        came_from TEXT NOT NULL
    ) STRICT;
    CREATE TABLE check_photos (
        check_id INTEGER NOT NULL REFERENCES checks (id),
        ordinal INTEGER NOT NULL,
        sha256 TEXT NOT NULL REFERENCES photos (sha256),
        PRIMARY KEY (check_id, ordinal)
    ) STRICT;
    CREATE TABLE notes (
        id INTEGER PRIMARY KEY,
        check_id INTEGER NOT NULL REFERENCES checks (id),
        text TEXT NOT NULL
    ) STRICT;",
    "ALTER TABLE checks ADD COLUMN fingerprint TEXT;",
    // A habit counts from a row on that may not have been stitched yet, so it hangs on no check.
    "CREATE TABLE habits (
        id INTEGER PRIMARY KEY,
        row INTEGER NOT NULL CHECK (row >= 1),
        name TEXT NOT NULL,
        value TEXT NOT NULL,
        saved TEXT NOT NULL
    ) STRICT;",
    // Off the frame the whole quilt is measured at once: no row of a check, and never mixed with them.
    "CREATE TABLE finished (
        id INTEGER PRIMARY KEY,
        saved TEXT NOT NULL,
        record TEXT NOT NULL,
        plan TEXT NOT NULL,
        version TEXT NOT NULL
    ) STRICT;
    CREATE TABLE finished_photos (
        finished_id INTEGER NOT NULL REFERENCES finished (id),
        ordinal INTEGER NOT NULL,
        sha256 TEXT NOT NULL REFERENCES photos (sha256),
        PRIMARY KEY (finished_id, ordinal)
    ) STRICT;",
];

/// Newest version known.
pub const VERSION: i64 = STEPS.len() as i64;
/// The version from which on habits are kept.
pub const HABITS: i64 = 3;

/// Checks that the file is ours; its version.
pub fn check(database: &Connection, path: &Path) -> Result<i64, JournalError> {
    let wrap = |e| error(path, e);
    let pragma = |name: &str| -> Result<i64, JournalError> {
        database
            .query_row(&format!("PRAGMA {name}"), [], |r| r.get(0))
            .map_err(wrap)
    };
    let tables: i64 = database
        .query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0))
        .map_err(wrap)?;
    if tables > 0 && pragma("application_id")? != APPLICATION_ID {
        return Err(JournalError::Foreign {
            path: path.to_owned(),
        });
    }
    let found = pragma("user_version")?;
    if found > VERSION {
        return Err(JournalError::Newer {
            path: path.to_owned(),
            found,
            known: VERSION,
        });
    }
    Ok(found)
}

/// Checks that the file is ours and brings it to the newest version, all in one transaction.
pub fn bring_up_to_date(database: &mut Connection, path: &Path) -> Result<(), JournalError> {
    let wrap = |e| error(path, e);
    let found = check(database, path)?;
    if found == VERSION {
        return Ok(());
    }
    let transaction = database
        .transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)
        .map_err(wrap)?;
    // Another rowsight may have done it while this one waited for the lock.
    let found: i64 = transaction
        .query_row("PRAGMA user_version", [], |r| r.get(0))
        .map_err(wrap)?;
    for step in STEPS.iter().skip(found.max(0) as usize) {
        transaction.execute_batch(step).map_err(wrap)?;
    }
    transaction
        .execute_batch(&format!(
            "PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {VERSION};"
        ))
        .map_err(wrap)?;
    transaction.commit().map_err(wrap)
}

#[cfg(test)]
pub fn first_step() -> String {
    format!(
        "{} PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = 1;",
        STEPS[0]
    )
}
