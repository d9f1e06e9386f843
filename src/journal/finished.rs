//! The finished quilt in the journal, apart from the rows measured on the frame.

use super::{Journal, JournalError, KeptPhoto, error, link_photos, now, to_json};
use crate::finished::FinishedRecord;
use rusqlite::{OptionalExtension, params};

/// A measurement of the finished quilt to save.
#[derive(Debug, Clone)]
pub struct NewFinished<'a> {
    /// What was measured.
    pub record: &'a FinishedRecord,
    /// Its photos.
    pub photos: &'a [KeptPhoto<'a>],
    /// The plan as it was, as text.
    pub plan: &'a str,
}

/// The newest measurement of the finished quilt.
#[derive(Debug, Clone, PartialEq)]
pub struct SavedFinished {
    /// When it was saved, local time.
    pub saved: jiff::civil::DateTime,
    /// What was measured.
    pub record: FinishedRecord,
}

impl Journal {
    /// Saves a measurement of the finished quilt; earlier ones stay in the file, the newest counts.
    ///
    /// # Errors
    ///
    /// [`JournalError`]; the journal is then as it was.
    pub fn save_finished(&mut self, finished: &NewFinished) -> Result<(), JournalError> {
        let path = self.path();
        let wrap = |e| error(&path, e);
        let json = to_json(finished.record, &path)?;
        for photo in finished.photos {
            self.keep(photo)?;
        }
        let saved = now();
        let transaction = self
            .database
            .transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)
            .map_err(wrap)?;
        transaction
            .execute(
                "INSERT INTO finished (saved, record, plan, version) VALUES (?1, ?2, ?3, ?4)",
                params![saved, json, finished.plan, env!("CARGO_PKG_VERSION")],
            )
            .map_err(wrap)?;
        let id = transaction.last_insert_rowid();
        let link = "INSERT INTO finished_photos (finished_id, ordinal, sha256) VALUES (?1, ?2, ?3)";
        link_photos(&transaction, id, finished.photos, link).map_err(wrap)?;
        transaction.commit().map_err(wrap)
    }

    /// The newest measurement of the finished quilt; `None` when there is none.
    ///
    /// # Errors
    ///
    /// [`JournalError`].
    pub fn finished(&self) -> Result<Option<SavedFinished>, JournalError> {
        let path = self.path();
        let found: Option<(String, String)> = self
            .database
            .query_row(
                "SELECT saved, record FROM finished ORDER BY id DESC LIMIT 1",
                [],
                |r| Ok((r.get(0)?, r.get(1)?)),
            )
            .optional()
            .map_err(|e| error(&path, e))?;
        let damaged = || JournalError::Damaged { path: path.clone() };
        found
            .map(|(saved, record)| {
                Ok(SavedFinished {
                    saved: saved.parse().map_err(|_| damaged())?,
                    record: serde_json::from_str(&record).map_err(|_| damaged())?,
                })
            })
            .transpose()
    }
}
