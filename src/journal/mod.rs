//! A quilt's journal: every check ever saved, in one SQLite file in the quilt's folder.
//!
//! Nothing is erased: a retake takes the place of an earlier check of the same row, undo takes a check
//! back, restore brings it again. Photos are kept once each, by the hash of their content. What has
//! been acknowledged is on the disk: photos are written and synced before the one transaction that
//! speaks of them, and SQLite's rollback journal with `synchronous = EXTRA` makes that transaction
//! whole or not there at all ("Atomic Commit In SQLite", sqlite.org).
//!
//! The rollback journal is used rather than the write-ahead log because the log keeps two side files
//! that a copied or cloud-synced folder may lack, and one small writer gains nothing by it.

mod finished;
mod repair;
mod schema;

pub use finished::{NewFinished, SavedFinished};
pub use repair::{Repaired, readable_checks, repair};

use crate::record::{Action, AdvanceTrim, GapRecord, Record};
use crate::report::log::Standing;
use crate::row::wobble::Fingerprint;
use crate::shell::argument;
use crate::whole_file::write_whole;
use rusqlite::{Connection, OpenFlags, OptionalExtension, params};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// File name of the journal in a quilt's folder.
pub const FILE_NAME: &str = "journal.db";
/// Folder of the kept photos in a quilt's folder.
pub const PHOTO_FOLDER: &str = "photos";
/// How long another writer is waited for.
const PATIENCE: Duration = Duration::from_secs(8);

/// Why the journal cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// The file is not a journal of ours.
    #[error("{} is not a rowsight journal, or its beginning is damaged; `rowsight log {} --repair` saves what can be read and keeps a copy of the old file", path.display(), folder_of(path))]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// The file was written by a newer version.
    #[error("{} was written by a newer rowsight (journal version {found}, this one knows {known}); update rowsight", path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// The newest version known here.
        known: i64,
    },
    /// Damaged file.
    #[error("{} is damaged; `rowsight log {} --repair` saves what can be read and keeps a copy of the old file", path.display(), folder_of(path))]
    Damaged {
        /// The file.
        path: PathBuf,
    },
    /// Another rowsight writes.
    #[error("another rowsight is writing to {}; wait until it is done and try again", path.display())]
    Busy {
        /// The file.
        path: PathBuf,
    },
    /// No permission.
    #[error("{} cannot be written; check that the folder is not read-only", path.display())]
    ReadOnly {
        /// The file.
        path: PathBuf,
    },
    /// No space.
    #[error("the disk is full, so {} was left as it was; free some space and try again", path.display())]
    Full {
        /// The file.
        path: PathBuf,
    },
    /// A folder where a file should be.
    #[error("{} is a folder, and a file has to stand there; give it another name and try again", path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
    },
    /// Nothing there to undo, restore or note.
    #[error("{0}")]
    Nothing(String),
    /// Anything else.
    #[error("{} cannot be used ({reason})", path.display())]
    Other {
        /// The file.
        path: PathBuf,
        /// What the system says.
        reason: String,
    },
}

/// The folder as an argument.
fn folder_of(path: &Path) -> String {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
    argument(folder.unwrap_or(Path::new(".")))
}

/// An open journal.
#[derive(Debug)]
pub struct Journal {
    folder: PathBuf,
    database: Connection,
}

/// A check to save.
#[derive(Debug, Clone)]
pub struct NewCheck<'a> {
    /// The newest row's number.
    pub row: u32,
    /// What was measured and decided.
    pub record: &'a Record,
    /// The newest row's fingerprint.
    pub fingerprint: &'a Fingerprint,
    /// Photos: content hash, file name ending, bytes.
    pub photos: &'a [KeptPhoto<'a>],
    /// The plan as it was, as text.
    pub plan: &'a str,
}

/// A photo to keep.
#[derive(Debug, Clone, Copy)]
pub struct KeptPhoto<'a> {
    /// SHA-256 of the bytes, lower-case hexadecimal.
    pub sha256: &'a str,
    /// Where it came from.
    pub path: &'a Path,
    /// The file's bytes.
    pub bytes: &'a [u8],
}

/// A check in the journal.
#[derive(Debug, Clone, PartialEq)]
pub struct SavedCheck {
    /// Its number in the journal.
    pub id: i64,
    /// The row.
    pub row: u32,
    /// When it was saved, local time.
    pub saved: jiff::civil::DateTime,
    /// What was measured and decided.
    pub record: Record,
    /// The newest row's fingerprint.
    pub fingerprint: Option<Fingerprint>,
    /// Whether it counts.
    pub standing: Standing,
    /// Notes, oldest first.
    pub notes: Vec<String>,
}

/// Something about the way of working that holds from a row on: `straps = yes`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Habit {
    /// The first row it holds for; its advance is the one that leads to this row.
    pub row: u32,
    /// What, in lower case.
    pub name: String,
    /// How, in lower case.
    pub value: String,
}

/// A gap as one check measured it, and what that check advised for the next advance.
#[derive(Debug, Clone, PartialEq)]
pub struct SavedGap {
    /// The checked row.
    pub row: u32,
    /// Whether it counts.
    pub standing: Standing,
    /// The gap above it, if both rows were seen.
    pub gap: Option<GapRecord>,
    /// What was decided.
    pub action: Action,
    /// The trim advised for the advance to the next row.
    pub next_advance_mm: Option<AdvanceTrim>,
}

/// The time of day here and now, to the second.
fn now() -> String {
    let now = jiff::ZonedDateTime::now().datetime();
    let now = now.round(jiff::Unit::Second);
    now.map_or_else(|_| String::new(), |t| t.to_string())
}

impl Journal {
    /// Opens the quilt's journal and begins one when there is none.
    ///
    /// # Errors
    ///
    /// [`JournalError`]; nothing is changed then.
    pub fn open(folder: &Path) -> Result<Journal, JournalError> {
        Journal::open_with(
            folder,
            OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE,
        )
    }

    /// Opens the quilt's journal to read it only; `None` when there is none yet.
    ///
    /// # Errors
    ///
    /// [`JournalError`].
    pub fn open_to_read(folder: &Path) -> Result<Option<Journal>, JournalError> {
        if !folder.join(FILE_NAME).exists() {
            return Ok(None);
        }
        // A journal left behind by a crash is rolled back on opening, which has to write.
        match Journal::open_with(folder, OpenFlags::SQLITE_OPEN_READ_WRITE) {
            Err(JournalError::ReadOnly { .. }) => {
                Journal::open_with(folder, OpenFlags::SQLITE_OPEN_READ_ONLY).map(Some)
            }
            other => other.map(Some),
        }
    }

    fn open_with(folder: &Path, flags: OpenFlags) -> Result<Journal, JournalError> {
        let path = folder.join(FILE_NAME);
        let wrap = |e| error(&path, e);
        let database = Connection::open_with_flags(&path, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX)
            .map_err(wrap)?;
        database.busy_timeout(PATIENCE).map_err(wrap)?;
        database
            .execute_batch(
                "PRAGMA journal_mode = DELETE; PRAGMA synchronous = EXTRA; PRAGMA foreign_keys = ON;",
            )
            .map_err(wrap)?;
        let mut journal = Journal {
            folder: folder.to_owned(),
            database,
        };
        schema::bring_up_to_date(&mut journal.database, &path)?;
        Ok(journal)
    }

    fn path(&self) -> PathBuf {
        self.folder.join(FILE_NAME)
    }

    /// Saves a check; it takes the place of an earlier one of the same row. Returns its number.
    ///
    /// # Errors
    ///
    /// [`JournalError`]; the journal is then as it was.
    pub fn save(&mut self, check: &NewCheck) -> Result<i64, JournalError> {
        let path = self.path();
        let wrap = |e| error(&path, e);
        let json = to_json(check.record, &path)?;
        let fingerprint = to_json(check.fingerprint, &path)?;
        for photo in check.photos {
            self.keep(photo)?;
        }
        let saved = now();
        // IMMEDIATE: the write lock is taken at once, so two writers come one after the other.
        let transaction = self
            .database
            .transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)
            .map_err(wrap)?;
        transaction
            .execute(
                "UPDATE checks SET standing = 'retaken' WHERE row = ?1 AND standing = 'current'",
                [check.row],
            )
            .map_err(wrap)?;
        transaction
            .execute(
                "INSERT INTO checks (row, saved, standing, record, fingerprint, plan, version)
                 VALUES (?1, ?2, 'current', ?3, ?4, ?5, ?6)",
                params![
                    check.row,
                    saved,
                    json,
                    fingerprint,
                    check.plan,
                    env!("CARGO_PKG_VERSION")
                ],
            )
            .map_err(wrap)?;
        let id = transaction.last_insert_rowid();
        let link = "INSERT INTO check_photos (check_id, ordinal, sha256) VALUES (?1, ?2, ?3)";
        link_photos(&transaction, id, check.photos, link).map_err(wrap)?;
        transaction.commit().map_err(wrap)?;
        Ok(id)
    }

    /// Keeps a photo by its content's hash: written beside, synced, renamed.
    fn keep(&self, photo: &KeptPhoto) -> Result<(), JournalError> {
        let folder = self.folder.join(PHOTO_FOLDER);
        let target = kept_path(&self.folder, photo.sha256, photo.path);
        let failed = |e: std::io::Error| io_error(&target, &e);
        std::fs::create_dir_all(&folder).map_err(failed)?;
        if std::fs::metadata(&target).is_ok_and(|m| m.len() == photo.bytes.len() as u64) {
            return Ok(());
        }
        write_whole(&target, photo.bytes).map_err(failed)
    }

    /// Every check ever saved, oldest first.
    ///
    /// # Errors
    ///
    /// [`JournalError`].
    pub fn history(&self) -> Result<Vec<SavedCheck>, JournalError> {
        self.checks("")
    }

    /// Checks of which a condition holds, oldest first.
    fn checks(&self, which: &str) -> Result<Vec<SavedCheck>, JournalError> {
        let path = self.path();
        let wrap = |e| error(&path, e);
        let mut notes = self
            .database
            .prepare("SELECT text FROM notes WHERE check_id = ?1 ORDER BY id")
            .map_err(wrap)?;
        let mut checks = self
            .database
            .prepare(&format!(
                "SELECT id, row, saved, standing, record, fingerprint FROM checks {which} ORDER BY id"
            ))
            .map_err(wrap)?;
        let rows = checks
            .query_map([], |r| {
                Ok((
                    r.get::<_, i64>(0)?,
                    r.get::<_, u32>(1)?,
                    r.get::<_, String>(2)?,
                    r.get::<_, String>(3)?,
                    r.get::<_, String>(4)?,
                    r.get::<_, Option<String>>(5)?,
                ))
            })
            .map_err(wrap)?;
        let mut history = Vec::new();
        for row in rows {
            let (id, row, saved, standing, record, fingerprint) = row.map_err(wrap)?;
            let damaged = || JournalError::Damaged { path: path.clone() };
            history.push(SavedCheck {
                id,
                row,
                saved: saved.parse().map_err(|_| damaged())?,
                record: serde_json::from_str(&record).map_err(|_| damaged())?,
                fingerprint: fingerprint.and_then(|f| serde_json::from_str(&f).ok()),
                standing: match standing.as_str() {
                    "current" => Standing::Current,
                    "retaken" => Standing::Retaken,
                    _ => Standing::Undone,
                },
                notes: notes
                    .query_map([id], |r| r.get(0))
                    .and_then(Iterator::collect)
                    .map_err(wrap)?,
            });
        }
        Ok(history)
    }

    /// The checks that count, by row.
    ///
    /// # Errors
    ///
    /// [`JournalError`].
    pub fn current(&self) -> Result<Vec<SavedCheck>, JournalError> {
        let mut checks = self.checks("WHERE standing = 'current'")?;
        checks.sort_by_key(|c| c.row);
        Ok(checks)
    }

    /// Takes the newest check that counts back; what it had taken the place of counts again. The row.
    ///
    /// # Errors
    ///
    /// [`JournalError::Nothing`] when no check counts.
    pub fn undo(&mut self) -> Result<u32, JournalError> {
        let path = self.path();
        let wrap = |e| error(&path, e);
        let transaction = self
            .database
            .transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)
            .map_err(wrap)?;
        let newest: Option<(i64, u32)> = transaction
            .query_row(
                "SELECT id, row FROM checks WHERE standing = 'current' ORDER BY id DESC LIMIT 1",
                [],
                |r| Ok((r.get(0)?, r.get(1)?)),
            )
            .optional()
            .map_err(wrap)?;
        let Some((id, row)) = newest else {
            return Err(JournalError::Nothing(
                "there is no check to undo; the journal is empty".to_owned(),
            ));
        };
        transaction
            .execute("UPDATE checks SET standing = 'undone' WHERE id = ?1", [id])
            .map_err(wrap)?;
        transaction
            .execute(
                "UPDATE checks SET standing = 'current' WHERE id =
                 (SELECT max(id) FROM checks WHERE row = ?1 AND standing = 'retaken' AND id < ?2)",
                params![row, id],
            )
            .map_err(wrap)?;
        transaction.commit().map_err(wrap)?;
        Ok(row)
    }

    /// Brings the last check that was undone back. The row.
    ///
    /// # Errors
    ///
    /// [`JournalError::Nothing`] when nothing was undone.
    pub fn restore(&mut self) -> Result<u32, JournalError> {
        let path = self.path();
        let wrap = |e| error(&path, e);
        let transaction = self
            .database
            .transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)
            .map_err(wrap)?;
        // The earliest undone one that nothing newer of its row has replaced: undo goes backwards,
        // restore forwards.
        let undone: Option<(i64, u32)> = transaction
            .query_row(
                "SELECT id, row FROM checks AS c WHERE standing = 'undone' AND NOT EXISTS
                 (SELECT 1 FROM checks WHERE standing = 'current' AND id > c.id)
                 ORDER BY id ASC LIMIT 1",
                [],
                |r| Ok((r.get(0)?, r.get(1)?)),
            )
            .optional()
            .map_err(wrap)?;
        let Some((id, row)) = undone else {
            return Err(JournalError::Nothing(
                "there is nothing to restore; no check was undone since the last one saved"
                    .to_owned(),
            ));
        };
        transaction
            .execute(
                "UPDATE checks SET standing = 'retaken' WHERE row = ?1 AND standing = 'current'",
                [row],
            )
            .map_err(wrap)?;
        transaction
            .execute("UPDATE checks SET standing = 'current' WHERE id = ?1", [id])
            .map_err(wrap)?;
        transaction.commit().map_err(wrap)?;
        Ok(row)
    }

    /// Notes a habit from a row on.
    ///
    /// # Errors
    ///
    /// [`JournalError`].
    pub fn add_habit(&mut self, habit: &Habit) -> Result<(), JournalError> {
        let saved = jiff::ZonedDateTime::now()
            .datetime()
            .round(jiff::Unit::Second);
        let saved = saved.map_or_else(|_| String::new(), |t| t.to_string());
        self.database
            .execute(
                "INSERT INTO habits (row, name, value, saved) VALUES (?1, ?2, ?3, ?4)",
                params![habit.row, habit.name, habit.value, saved],
            )
            .map_err(|e| error(&self.path(), e))?;
        Ok(())
    }

    /// The habits noted, in the order of noting.
    ///
    /// # Errors
    ///
    /// [`JournalError`].
    pub fn habits(&self) -> Result<Vec<Habit>, JournalError> {
        habits_of(&self.database, &self.path())
    }

    /// The row of the newest check that counts; `None` when there is none.
    ///
    /// # Errors
    ///
    /// [`JournalError`].
    pub fn newest_row(&self) -> Result<Option<u32>, JournalError> {
        self.database
            .query_row(
                "SELECT max(row) FROM checks WHERE standing = 'current'",
                [],
                |r| r.get(0),
            )
            .map_err(|e| error(&self.path(), e))
    }

    /// Adds a note to a row's current check, the newest row when none is named. The row.
    ///
    /// # Errors
    ///
    /// [`JournalError::Nothing`] when the row has no check.
    pub fn add_note(&mut self, row: Option<u32>, text: &str) -> Result<u32, JournalError> {
        let path = self.path();
        let wrap = |e| error(&path, e);
        let found: Option<(i64, u32)> = self
            .database
            .query_row(
                "SELECT id, row FROM checks WHERE standing = 'current' AND (?1 IS NULL OR row = ?1)
                 ORDER BY row DESC LIMIT 1",
                [row],
                |r| Ok((r.get(0)?, r.get(1)?)),
            )
            .optional()
            .map_err(wrap)?;
        let Some((id, row)) = found else {
            return Err(JournalError::Nothing(match row {
                Some(row) => format!("row {row} has not been checked yet, so it cannot be noted"),
                None => "no row has been checked yet, so there is nothing to note".to_owned(),
            }));
        };
        self.database
            .execute(
                "INSERT INTO notes (check_id, text) VALUES (?1, ?2)",
                params![id, text],
            )
            .map_err(wrap)?;
        Ok(row)
    }
}

fn habits_of(database: &Connection, path: &Path) -> Result<Vec<Habit>, JournalError> {
    let wrap = |e| error(path, e);
    let mut statement = database
        .prepare("SELECT row, name, value FROM habits ORDER BY id")
        .map_err(wrap)?;
    statement
        .query_map([], |r| {
            Ok(Habit {
                row: r.get(0)?,
                name: r.get(1)?,
                value: r.get(2)?,
            })
        })
        .and_then(Iterator::collect)
        .map_err(wrap)
}

/// The gaps and habits of a quilt's journal and nothing else, for reading thousands of them. Nothing is
/// written; an older journal has no habits.
///
/// # Errors
///
/// [`JournalError`].
pub fn read_gaps(folder: &Path) -> Result<(Vec<SavedGap>, Vec<Habit>), JournalError> {
    /// The part of a record that matters here; the rest is skipped while reading.
    #[derive(serde::Deserialize)]
    struct Part {
        gaps: Vec<GapRecord>,
        verdict: VerdictPart,
    }
    #[derive(serde::Deserialize)]
    struct VerdictPart {
        action: Action,
        next_advance_mm: Option<AdvanceTrim>,
    }
    let path = folder.join(FILE_NAME);
    let wrap = |e| error(&path, e);
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let database = Connection::open_with_flags(&path, flags).map_err(wrap)?;
    database.busy_timeout(PATIENCE).map_err(wrap)?;
    // One read transaction: the file is locked once, not for every statement.
    database.execute_batch("BEGIN").map_err(wrap)?;
    let version = schema::check(&database, &path)?;
    let damaged = || JournalError::Damaged { path: path.clone() };
    let mut statement = database
        .prepare("SELECT row, standing, record FROM checks WHERE standing <> 'undone' ORDER BY id")
        .map_err(wrap)?;
    let mut rows = statement.query([]).map_err(wrap)?;
    let mut gaps = Vec::new();
    while let Some(row) = rows.next().map_err(wrap)? {
        let number: u32 = row.get(0).map_err(wrap)?;
        let text = row.get_ref(2).map_err(wrap)?;
        let text = text.as_str().map_err(|_| damaged())?;
        let part: Part = serde_json::from_str(text).map_err(|_| damaged())?;
        let current = row.get_ref(1).map_err(wrap)?.as_str() == Ok("current");
        gaps.push(SavedGap {
            row: number,
            standing: if current {
                Standing::Current
            } else {
                Standing::Retaken
            },
            gap: part.gaps.into_iter().find(|g| g.to_row == number),
            action: part.verdict.action,
            next_advance_mm: part.verdict.next_advance_mm,
        });
    }
    // Sorted here: SQLite would carry the whole records along. Checks of one row stay in their order.
    gaps.sort_by_key(|gap| gap.row);
    let habits = match version >= schema::HABITS {
        true => habits_of(&database, &path)?,
        false => Vec::new(),
    };
    Ok((gaps, habits))
}

/// Gaps above each current row, as [`crate::gap::drift`] wants them: each from the check of its own row; of a row that was not checked
/// itself from the first later one that shows it.
pub fn gaps_of(checks: &[SavedCheck]) -> Vec<GapRecord> {
    let mut gaps: BTreeMap<u32, (u32, &GapRecord)> = BTreeMap::new();
    for check in checks {
        for gap in check.record.gaps.iter().filter(|g| g.to_row <= check.row) {
            let kept = gaps.entry(gap.to_row).or_insert((check.row, gap));
            if check.row < kept.0 {
                *kept = (check.row, gap);
            }
        }
    }
    gaps.into_values().map(|(_, gap)| gap.clone()).collect()
}

fn to_json(document: &impl serde::Serialize, path: &Path) -> Result<String, JournalError> {
    serde_json::to_string(document).map_err(|e| JournalError::Other {
        path: path.to_owned(),
        reason: e.to_string(),
    })
}

/// Notes photos, and by the statement `link` that they belong to what was saved as `id`, in their order.
fn link_photos(
    transaction: &rusqlite::Transaction,
    id: i64,
    photos: &[KeptPhoto],
    link: &str,
) -> rusqlite::Result<()> {
    for (order, photo) in photos.iter().enumerate() {
        let kept = kept_name(photo.sha256, photo.path);
        transaction.execute(
            "INSERT OR IGNORE INTO photos (sha256, file, came_from) VALUES (?1, ?2, ?3)",
            params![photo.sha256, kept, photo.path.display().to_string()],
        )?;
        transaction.execute(link, params![id, order as i64, photo.sha256])?;
    }
    Ok(())
}

fn kept_name(sha256: &str, path: &Path) -> String {
    let ending = path
        .extension()
        .map_or_else(|| "jpg".to_owned(), |e| e.to_string_lossy().to_lowercase());
    format!("{}.{ending}", sha256.get(..24).unwrap_or(sha256))
}

/// Where a quilt's folder keeps the copy of a photo that came from `path`.
pub fn kept_path(folder: &Path, sha256: &str, path: &Path) -> PathBuf {
    folder.join(PHOTO_FOLDER).join(kept_name(sha256, path))
}

fn io_error(path: &Path, e: &std::io::Error) -> JournalError {
    let path = path.to_owned();
    if path.is_dir() {
        return JournalError::Folder { path };
    }
    match e.kind() {
        std::io::ErrorKind::PermissionDenied | std::io::ErrorKind::ReadOnlyFilesystem => {
            JournalError::ReadOnly { path }
        }
        std::io::ErrorKind::StorageFull => JournalError::Full { path },
        _ => JournalError::Other {
            path,
            reason: e.to_string(),
        },
    }
}

fn error(path: &Path, e: rusqlite::Error) -> JournalError {
    use rusqlite::ErrorCode as Code;
    let path = path.to_owned();
    if path.is_dir() {
        return JournalError::Folder { path };
    }
    match e.sqlite_error_code() {
        Some(Code::DatabaseBusy | Code::DatabaseLocked) => JournalError::Busy { path },
        Some(Code::ReadOnly | Code::PermissionDenied | Code::CannotOpen) => {
            JournalError::ReadOnly { path }
        }
        Some(Code::DiskFull) => JournalError::Full { path },
        Some(Code::DatabaseCorrupt) => JournalError::Damaged { path },
        Some(Code::NotADatabase) => JournalError::Foreign { path },
        _ => JournalError::Other {
            path,
            reason: e.to_string(),
        },
    }
}

#[cfg(test)]
mod tests;
