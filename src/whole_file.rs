//! Files are written whole or not at all.

use std::fs::File;
use std::io::{Error, ErrorKind, Result, Write};
use std::path::Path;
use tempfile::NamedTempFile;

/// What a file is called while it is written: this, some letters of chance, and the ending.
const BEGINS_WITH: &str = ".rowsight-";
const ENDS_WITH: &str = ".part";

/// Writes a file beside its place and renames it, so that a crash leaves the old one or the new one. What earlier crashes
/// left unfinished in that folder is cleared away.
///
/// # Errors
///
/// In words for a person, without the name of the file written beside.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<()> {
    write_beside(path, bytes).map_err(|e| Error::new(e.kind(), in_words(&e)))
}

/// What kept a file from being written, and what to do about it.
fn in_words(error: &Error) -> String {
    match error.kind() {
        ErrorKind::NotFound => "there is no such folder; make it, or name another".to_owned(),
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::FileTooLarge => {
            "the disk is full; free some space and try again".to_owned()
        }
        ErrorKind::PermissionDenied => "you may not write there".to_owned(),
        ErrorKind::ReadOnlyFilesystem => "that place is read-only".to_owned(),
        ErrorKind::IsADirectory => "it is a folder".to_owned(),
        // The name of the file beside says nothing to anyone.
        _ => {
            let text = error.to_string();
            text.split(" at path").next().unwrap_or(&text).to_owned()
        }
    }
}

fn write_beside(path: &Path, bytes: &[u8]) -> Result<()> {
    let folder = match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    clear_unfinished(folder);
    let mut file = begin(folder)?;
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    // Temporary files are private; what is kept is an ordinary file.
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        file.as_file()
            .set_permissions(std::fs::Permissions::from_mode(0o644))?;
    }
    file.persist(path).map_err(|e| e.error)?;
    Ok(())
}

/// A file to write, locked as long as it is open: so others know that somebody still writes it.
fn begin(folder: &Path) -> Result<NamedTempFile> {
    loop {
        let mut builder = tempfile::Builder::new();
        let builder = builder.prefix(BEGINS_WITH).suffix(ENDS_WITH);
        let file = builder.tempfile_in(folder)?;
        // Where there are no locks nothing is cleared away either.
        let _ = file.as_file().lock();
        // Before it was locked another one may have cleared it away.
        if file.path().exists() {
            return Ok(file);
        }
    }
}

/// Removes files of ours that nobody writes any more: a lock ends with the program that holds it.
fn clear_unfinished(folder: &Path) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let name = entry.file_name();
        let name = name.to_string_lossy();
        if name.starts_with(BEGINS_WITH)
            && name.ends_with(ENDS_WITH)
            && let Ok(file) = File::options().write(true).open(entry.path())
            && file.try_lock().is_ok()
        {
            let _ = std::fs::remove_file(entry.path());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let entries = std::fs::read_dir(folder).unwrap().flatten();
        let mut names: Vec<String> = entries
            .map(|e| e.file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn what_a_crash_left_is_cleared_away_and_what_is_being_written_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        std::fs::write(folder.join(".rowsight-abc.part"), b"half").unwrap();
        std::fs::write(folder.join(".tmpabc"), b"not ours").unwrap();
        let other = begin(folder).unwrap();
        write_whole(&folder.join("plan.toml"), b"whole").unwrap();
        let others = other.path().file_name().unwrap().to_string_lossy();
        assert_eq!(names(folder), [&*others, ".tmpabc", "plan.toml"]);
        other.persist(folder.join("report.html")).unwrap();
    }

    #[test]
    fn many_who_write_into_one_folder_do_not_hinder_each_other() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        std::thread::scope(|threads| {
            for name in ["a", "b", "c", "d"] {
                threads.spawn(move || {
                    for _ in 0..25 {
                        write_whole(&folder.join(name), name.as_bytes()).unwrap();
                    }
                });
            }
        });
        assert_eq!(names(folder), ["a", "b", "c", "d"]);
        assert_eq!(std::fs::read(folder.join("c")).unwrap(), b"c");
    }
}
