//! The command as a person meets it: every mistake gets one sentence, exit code 2, and leaves the
//! journal as it was.

mod common;

use common::rowsight;
use std::path::{Path, PathBuf};

fn sample() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images/harvest")
}

/// A copy of the sample quilt's plan and design in a folder of its own.
fn quilt() -> (tempfile::TempDir, String) {
    let place = tempfile::tempdir().unwrap();
    for name in ["plan.toml", "meander.svg"] {
        std::fs::copy(sample().join(name), place.path().join(name)).unwrap();
    }
    let path = place.path().display().to_string();
    (place, path)
}

fn photo(row: u32) -> String {
    sample()
        .join(format!("row-photos/row-{row:02}.jpg"))
        .display()
        .to_string()
}

/// One line on stderr that names what is wrong; no panic, no trace.
fn one_sentence(stderr: &str, says: &str) {
    assert!(stderr.contains(says), "`{says}` not in: {stderr}");
    assert!(
        !stderr.contains("panicked") && !stderr.contains("RUST_BACKTRACE"),
        "{stderr}"
    );
    assert_eq!(stderr.trim().lines().count(), 1, "{stderr}");
}

#[test]
fn a_row_is_measured_into_json_and_the_journal() {
    let (place, folder) = quilt();
    let (code, out, err) = rowsight(&["snap", &folder, &photo(2), "--row", "2", "--json"]);
    assert!(code == 0 || code == 1, "{code} {err}");
    let record: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(record["schema"], "rowsight.row/1");
    assert_eq!(record["gaps"][0]["to_row"], 2);
    assert!((record["gaps"][0]["plan_mm"].as_f64().unwrap() - 152.4).abs() < 1e-6);
    assert!(place.path().join("overlays/row-02.jpg").exists());
    let (code, out, _) = rowsight(&["log", &folder]);
    assert_eq!(code, 0);
    assert!(out.lines().all(|line| line.chars().count() <= 80), "{out}");
    let (code, _, _) = rowsight(&["log", &folder, "--undo"]);
    assert_eq!(code, 0);
    let (_, out, _) = rowsight(&["log", &folder]);
    assert!(out.contains("No row"), "{out}");
}

/// One document a line, and none for no row: whoever reads them is not to meet words.
#[test]
fn a_quilt_without_a_journal_has_no_document_to_print() {
    let (_place, folder) = quilt();
    let (code, out, err) = rowsight(&["log", &folder, "--json"]);
    assert_eq!((code, out.as_str()), (0, ""), "{err}");
    one_sentence(&err, "No row has been checked yet");
}

#[test]
fn photos_that_cannot_be_measured_are_refused_in_one_sentence() {
    let (place, folder) = quilt();
    let file = |name: &str, bytes: &[u8]| {
        let path = place.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path.display().to_string()
    };
    let whole = std::fs::read(photo(2)).unwrap();
    // A PNG whose header says 60000 × 60000 (PNG specification, 11.2.2 IHDR), checksum included.
    let mut bomb = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\xea\x60\0\0\xea\x60\x08\x02\0\0\0".to_vec();
    bomb.extend(crc32(&bomb[12..]).to_be_bytes());
    bomb.extend(b"\0\0\0\0IDAT");
    let plain = |value: u8| {
        let picture = image::GrayImage::from_pixel(1200, 900, image::Luma([value]));
        let mut bytes = std::io::Cursor::new(Vec::new());
        picture
            .write_to(&mut bytes, image::ImageFormat::Png)
            .unwrap();
        bytes.into_inner()
    };
    for (path, says) in [
        (
            place.path().join("none.jpg").display().to_string(),
            "there is no such file",
        ),
        (folder.clone(), "is a folder"),
        (file("empty.jpg", b""), "is empty"),
        (
            file("half.jpg", &whole[..whole.len() / 2]),
            "ends in the middle",
        ),
        (
            file("text.jpg", b"dear quilter, this is no photo at all"),
            "not a photo but a text file",
        ),
        (
            file("page.jpg", b"%PDF-1.7 and so on"),
            "not a photo but a PDF",
        ),
        (
            file("phone.jpg", b"\0\0\0\x18ftypheic\0\0\0\0mif1heic"),
            "HEIC",
        ),
        (file("bomb.png", &bomb), "60000 × 60000"),
        (file("gray.png", &plain(120)), "no measuring card"),
        (file("white.png", &plain(255)), "over-exposed"),
        (file("black.png", &plain(3)), "nearly black"),
    ] {
        let (code, out, err) = rowsight(&["snap", &folder, &path]);
        assert_eq!((code, out.as_str()), (2, ""), "{path}: {err}");
        one_sentence(&err, says);
    }
    // Nothing of it reached the journal.
    let (_, out, _) = rowsight(&["log", &folder]);
    assert!(out.contains("No row"), "{out}");
}

/// CRC of PNG chunks (PNG specification, annex D).
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0u32, |mut crc, byte| {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 {
                0xedb8_8320 ^ (crc >> 1)
            } else {
                crc >> 1
            };
        }
        crc
    })
}

#[test]
fn a_photo_with_a_lying_name_is_read_by_its_content() {
    let (place, folder) = quilt();
    let path = place.path().join("row.png");
    std::fs::copy(photo(2), &path).unwrap();
    let (code, out, err) = rowsight(&[
        "snap",
        &folder,
        &path.display().to_string(),
        "--row",
        "2",
        "--look",
        "--json",
    ]);
    assert!(code == 0 || code == 1, "{err}");
    assert!(out.contains("is really a JPEG"), "{out}");
}

#[test]
fn rows_and_plans_that_cannot_be_are_named() {
    let (place, folder) = quilt();
    for (row, says) in [("0", "row 0 is not in the plan"), ("7", "which has 6 rows")] {
        let (code, _, err) = rowsight(&["snap", &folder, &photo(2), "--row", row]);
        assert_eq!(code, 2);
        one_sentence(&err, says);
    }
    let plan = std::fs::read_to_string(place.path().join("plan.toml")).unwrap();
    for (from, to, says) in [
        (
            "spacing = \"6 in\"",
            "spaceing = \"6 in\"",
            "did you mean `spacing`?",
        ),
        ("spacing = \"6 in\"", "spacing = \"-6 in\"", "`spacing`"),
        ("rows = 6", "rows = 0", "`rows`"),
        ("meander.svg", "gone.svg", "there is no such file"),
    ] {
        std::fs::write(place.path().join("plan.toml"), plan.replace(from, to)).unwrap();
        let (code, _, err) = rowsight(&["snap", &folder, &photo(2)]);
        assert_eq!(code, 2);
        one_sentence(&err, says);
    }
    let empty = tempfile::tempdir().unwrap();
    let (code, _, err) = rowsight(&["snap", &empty.path().display().to_string(), &photo(2)]);
    assert_eq!(code, 2);
    one_sentence(&err, "make one with `rowsight plan`");
    let (code, _, err) = rowsight(&["plan", &folder, "--spacing", "six"]);
    assert_eq!(code, 2);
    one_sentence(&err, "--spacing");
}

#[test]
fn cards_and_plans_are_made_from_the_command_line() {
    let place = tempfile::tempdir().unwrap();
    let at = |name: &str| place.path().join(name).display().to_string();
    let (code, _, err) = rowsight(&[
        "card",
        "--paper",
        "letter",
        "--sheets",
        "2",
        "--strips",
        "4",
        "-o",
        &at("c.pdf"),
    ]);
    assert_eq!(code, 0, "{err}");
    assert!(std::fs::read(at("c.pdf")).unwrap().starts_with(b"%PDF"));
    let (code, out, err) = rowsight(&[
        "plan",
        &at("new quilt"),
        "--width",
        "7ft",
        "--length",
        "2.13m",
        "--design",
        "petals",
        "--repeat",
        "10in",
        "--spacing",
        "6 1/2\"",
        "--stagger",
        "0.5",
        "--card-bar",
        "149.6mm",
        "--picture",
        &at("plan.svg"),
    ]);
    assert_eq!(code, 0, "{err}");
    assert!(out.contains("84 in wide"), "{out}");
    assert!(
        std::fs::read_to_string(at("plan.svg"))
            .unwrap()
            .contains("</svg>")
    );
    let (code, _, err) = rowsight(&[
        "rehearse",
        &at("new quilt"),
        "--rows",
        "1",
        "--megapixels",
        "0.3",
    ]);
    assert_eq!(code, 0, "{err}");
    assert!(
        place
            .path()
            .join("new quilt/practice/row-01.truth.json")
            .exists()
    );
}

/// A small quilt has fewer rows than are usually drawn.
#[test]
fn a_quilt_of_two_rows_is_rehearsed_without_saying_how_many() {
    let (place, folder) = quilt();
    let (code, _, err) = rowsight(&["plan", &folder, "--rows", "2"]);
    assert_eq!(code, 0, "{err}");
    let (code, out, err) = rowsight(&["rehearse", &folder, "--megapixels", "0.3"]);
    assert_eq!((code, out.lines().count()), (0, 2), "{out} {err}");
    let played = place.path().join("played").display().to_string();
    let (code, _, err) = rowsight(&["rehearse", &folder, "--numbers", "-o", &played]);
    assert_eq!(code, 0, "{err}");
    let (code, _, err) = rowsight(&["rehearse", &folder, "--rows", "3"]);
    assert_eq!(code, 2);
    one_sentence(&err, "--rows is 3; the plan has 2 rows");
}

/// Several pages as SVG are several files: those that are there are named, and not the one that is not.
#[test]
fn cards_as_svg_are_named_as_they_are_written() {
    let place = tempfile::tempdir().unwrap();
    let at = |name: &str| place.path().join(name).display().to_string();
    let card = |sheets: &str, strips: &str| {
        let counts = ["--sheets", sheets, "--strips", strips];
        let (code, _, err) =
            rowsight(&[&["card", "--paper", "a4", "-o", &at("c.svg")][..], &counts].concat());
        assert_eq!(code, 0, "{err}");
        err
    };
    let said = card("2", "2");
    assert!(
        said.starts_with(&format!("Wrote {} to {}.", at("c-1.svg"), at("c-3.svg"))),
        "{said}"
    );
    assert!(Path::new(&at("c-3.svg")).exists() && !Path::new(&at("c.svg")).exists());
    let said = card("1", "0");
    assert!(
        said.starts_with(&format!("Wrote {}.", at("c.svg"))),
        "{said}"
    );
    assert!(Path::new(&at("c.svg")).exists());
}

#[cfg(unix)]
#[test]
fn a_read_only_folder_is_named_and_left_alone() {
    use std::os::unix::fs::PermissionsExt;
    let (place, folder) = quilt();
    let locked = std::fs::Permissions::from_mode(0o555);
    std::fs::set_permissions(place.path(), locked).unwrap();
    // The superuser may write anywhere; then there is nothing to see here.
    let may_write = std::fs::write(place.path().join("probe"), b"").is_ok();
    if !may_write {
        let (code, _, err) = rowsight(&["snap", &folder, &photo(2), "--row", "2"]);
        assert_eq!(code, 2);
        one_sentence(&err, "read-only");
    }
    std::fs::set_permissions(place.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
}

#[test]
fn two_snaps_at_once_are_both_kept() {
    let (_place, folder) = quilt();
    std::thread::scope(|scope| {
        for row in [2u32, 3] {
            let folder = &folder;
            scope.spawn(move || {
                let (code, _, err) = rowsight(&[
                    "snap",
                    folder,
                    &photo(row),
                    "--row",
                    &row.to_string(),
                    "--no-overlay",
                ]);
                assert!(code == 0 || code == 1, "{err}");
            });
        }
    });
    let (_, out, _) = rowsight(&["log", &folder, "--json"]);
    assert_eq!(out.lines().count(), 2, "{out}");
}

/// A practice quilt played in numbers, in a folder of its own.
fn played(extra: &[&str]) -> (tempfile::TempDir, tempfile::TempDir, String) {
    let (place, folder) = quilt();
    let out = tempfile::tempdir().unwrap();
    let path = out.path().join("played").display().to_string();
    let arguments = [&["rehearse", &folder, "--numbers", "-o", &path], extra].concat();
    let (code, said, err) = rowsight(&arguments);
    assert_eq!(code, 0, "{err}");
    assert!(said.contains("last row lies off"), "{said}");
    (place, out, path)
}

#[test]
fn a_played_quilt_is_forecast_noted_and_tuned() {
    let (_place, out, path) = played(&["--gap-error", "1/16in"]);
    let (code, said, err) = rowsight(&["forecast", &path]);
    assert_eq!(code, 0, "{err}");
    assert!(
        said.starts_with("FORECAST") && said.contains("rows fit"),
        "{said}"
    );
    assert!(said.contains("machine stopped"), "{said}");
    let (code, _, err) = rowsight(&["note", &path, "--row", "4", "straps=yes"]);
    assert!(code == 0 && err.contains("straps=yes"), "{err}");
    let page = out.path().join("page.html").display().to_string();
    let (code, said, err) = rowsight(&["tune", &path, "--details", "--page", &page]);
    assert_eq!(code, 0, "{err}");
    assert!(
        said.contains("HOW YOU ADVANCE") && said.contains("straps=yes"),
        "{said}"
    );
    assert!(
        said.lines().all(|line| line.chars().count() <= 80),
        "{said}"
    );
    let first_screen = said.split("ALL THE STATISTICS").next().unwrap();
    assert!(
        first_screen.lines().all(|line| line.chars().count() <= 80),
        "{first_screen}"
    );
    for jargon in [
        "sigma",
        "Welch",
        "variance",
        "CUSUM",
        "p-value",
        "confidence",
    ] {
        assert!(!first_screen.contains(jargon), "{jargon}: {first_screen}");
    }
    let html = std::fs::read_to_string(&page).unwrap();
    assert_eq!(html.matches("<svg").count(), html.matches("<desc>").count());
    assert!(html.contains("<svg") && !html.contains("href=") && !html.contains("<script"));
}

/// The PDF's letters are Latin, Greek and Cyrillic: what else a name holds is said to be missing.
#[test]
fn a_pdf_that_cannot_show_a_name_says_so() {
    let (_a, _b, folder) = played(&[]);
    let pdf = Path::new(&folder).join("report.pdf").display().to_string();
    let (code, _, err) = rowsight(&["report", &folder, "--pdf", &pdf]);
    assert!(code == 0 && !err.contains("question mark"), "{err}");
    rowsight(&["log", &folder, "--note", "秋の糸"]);
    let (code, _, err) = rowsight(&["report", &folder, "--pdf", &pdf]);
    assert!(
        code == 0 && err.contains("question mark for each of の秋糸; the HTML report"),
        "{err}"
    );
}

/// A row was passed over: its gap is twice the spacing. The others' scatter is theirs alone.
#[test]
fn a_row_that_stands_out_is_named_and_the_rest_said_without_it() {
    let (_a, _b, folder) = played(&["--scatter", "0.5mm"]);
    let journal = rusqlite::Connection::open(Path::new(&folder).join("journal.db")).unwrap();
    let of_row_4 = "SELECT record FROM checks WHERE row = 4";
    let text: String = journal.query_row(of_row_4, [], |row| row.get(0)).unwrap();
    let mut record: serde_json::Value = serde_json::from_str(&text).unwrap();
    let gaps = record["gaps"].as_array_mut().unwrap();
    let gap = gaps.iter_mut().find(|gap| gap["to_row"] == 4).unwrap();
    for place in gap["spacing"].as_array_mut().unwrap() {
        place["value"] = (place["value"].as_f64().unwrap() + 152.4).into();
    }
    let changed = "UPDATE checks SET record = ?1 WHERE row = 4";
    assert_eq!(journal.execute(changed, [record.to_string()]).unwrap(), 1);
    drop(journal);
    let (code, said, err) = rowsight(&["tune", &folder]);
    assert_eq!(code, 0, "{err}");
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("4 advances on 1 quilt"), "{said}");
    assert!(
        said.contains("Row 4 of played stands out: its advance came out 6"),
        "{said}"
    );
    assert!(
        said.contains("Two advances of three end within 1/16 in of"),
        "{said}"
    );
    // Nor does it move what a new quilt is begun with.
    let (_place, new) = quilt();
    let (code, said, err) = rowsight(&["plan", &new, "--earlier", &folder]);
    assert_eq!(code, 0, "{err}");
    let rest = "4 advances: an advance of yours comes out on its mark";
    assert!(said.contains(rest), "{said}");
}

/// Five advances of 3/4 in too much take the last row past the edge, which is 2 31/32 in below its design as planned.
#[test]
fn a_last_row_past_the_edge_does_not_count_as_one_that_fits() {
    let too_far = [
        "--gap-error",
        "3/4in",
        "--scatter",
        "0.1mm",
        "--ignore-advice",
    ];
    let (_a, _b, folder) = played(&too_far);
    let forecast = || {
        let (code, said, err) = rowsight(&["forecast", &folder]);
        assert_eq!(code, 0, "{err}");
        said.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let said = forecast();
    assert!(said.contains("in past the last edge (at the top"), "{said}");
    assert!(
        said.contains("- 5 rows fit at the planned spacing, 1 fewer than planned."),
        "{said}"
    );
    assert!(
        !said.contains("as advised") && !said.contains("further row"),
        "{said}"
    );
    // With a row to come there is something to advise, and it says from where rows are counted.
    assert_eq!(rowsight(&["log", &folder, "--undo"]).0, 0);
    let said = forecast();
    assert!(said.contains("when you roll as advised"), "{said}");
    assert!(
        said.contains("at the planned spacing, counted from where row 5 lies"),
        "{said}"
    );
}

/// An escape sequence in a note or a name would have the terminal do what it says.
#[test]
fn control_characters_reach_neither_terminal_nor_report() {
    let (_a, _b, folder) = played(&[]);
    let note = "thread\u{1b}[2J broke\u{7}\nagain";
    let (code, out, err) = rowsight(&["log", &folder, "--note", note]);
    assert!(
        code == 0 && err.contains("without the control characters"),
        "{err}"
    );
    assert!(
        out.contains("thread[2J broke again") && !out.contains('\u{1b}'),
        "{out}"
    );
    let (code, _, err) = rowsight(&["log", &folder, "--note", "straps on"]);
    assert!(code == 0 && !err.contains("control"), "{err}");
    let (code, _, err) = rowsight(&["log", &folder, "--note", "\u{1b}"]);
    assert_eq!(code, 2);
    one_sentence(&err, "the note is empty");
    // Older journals hold notes as they were given.
    let journal = rusqlite::Connection::open(Path::new(&folder).join("journal.db")).unwrap();
    let changed = journal.execute("UPDATE notes SET text = ?1", ["old\u{1b}[2Jnote"]);
    assert_eq!(changed.unwrap(), 2);
    drop(journal);
    let (_, out, _) = rowsight(&["log", &folder]);
    assert!(out.contains("old?[2Jnote"), "{out}");
    let (code, ..) = rowsight(&["report", &folder]);
    assert_eq!(code, 0);
    let page = std::fs::read_to_string(Path::new(&folder).join("report.html")).unwrap();
    assert!(page.contains("old?[2Jnote"));
    let (_, out, err) = rowsight(&["snap", &folder, "no\u{1b}[2J.jpg"]);
    assert!(err.contains("no?[2J.jpg") && out.is_empty(), "{err}");
}

#[test]
fn mistakes_with_notes_and_tuning_get_one_sentence() {
    let (place, folder) = quilt();
    for (arguments, says) in [
        (vec!["note", &folder, "straps"], "write it like straps=yes"),
        (
            vec!["note", &folder, "--row", "99", "straps=yes"],
            "rows 1 to",
        ),
        (vec!["note", &folder, "trim=perhaps"], "trim=yes or trim=no"),
        (
            vec!["rehearse", &folder, "--numbers", "-o", &folder],
            "plan.toml already",
        ),
    ] {
        let (code, _, err) = rowsight(&arguments);
        assert_eq!(code, 2, "{arguments:?} {err}");
        one_sentence(&err, says);
    }
    assert!(place.path().join("meander.svg").metadata().unwrap().len() > 100);
    // One row, or none, has nothing to say yet; a folder that is no quilt is passed over.
    let (code, said, err) = rowsight(&["tune", &folder, "/"]);
    assert!(code == 0 && said.contains("0 advances"), "{said} {err}");
}

#[test]
fn a_journal_whose_beginning_is_lost_is_read_all_the_same() {
    let (_a, _b, folder) = played(&["--seed", "4"]);
    let journal = Path::new(&folder).join("journal.db");
    let whole = rowsight(&["log", &folder, "--json"]).1;
    let mut bytes = std::fs::read(&journal).unwrap();
    bytes[..100].fill(0x5A);
    std::fs::write(&journal, &bytes).unwrap();
    let (code, _, err) = rowsight(&["tune", &folder]);
    assert_eq!(code, 2);
    one_sentence(&err, "beginning is damaged");
    let (code, _, err) = rowsight(&["log", &folder, "--repair"]);
    assert!(code == 0 && err.contains("checks are in"), "{err}");
    assert_eq!(rowsight(&["log", &folder, "--json"]).1, whole);
    let kept = std::fs::read(Path::new(&folder).join("journal-before-repair-1.db")).unwrap();
    assert_eq!(kept, bytes);
}

/// Pasted into a shell, a command in a message names the folder that it was said of.
#[test]
fn commands_in_messages_have_names_in_quotes_where_they_need_them() {
    let (_place, plain) = quilt();
    let out = tempfile::tempdir().unwrap();
    let path = out.path().join("grandma's quilt").display().to_string();
    let quoted = format!("'{}'", path.replace('\'', r"'\''"));
    let (code, _, err) = rowsight(&["rehearse", &plain, "--numbers", "-o", &path]);
    assert_eq!(code, 0, "{err}");
    assert!(err.contains(&format!("`rowsight tune {quoted}`")), "{err}");
    std::fs::write(Path::new(&path).join("journal.db"), b"no journal").unwrap();
    let (code, _, err) = rowsight(&["log", &path]);
    assert_eq!(code, 2, "{err}");
    one_sentence(&err, &format!("`rowsight log {quoted} --repair`"));
}

#[test]
fn the_advice_of_a_new_quilt_starts_from_earlier_ones() {
    let habit = [
        "--gap-error",
        "1/16in",
        "--lean",
        "0in",
        "--scatter",
        "0.5mm",
    ];
    let with_seed = |seed| played(&[&habit[..], &["--seed", seed]].concat());
    let ((_a, _b, one), (_c, _d, two)) = (with_seed("7"), with_seed("8"));
    let (place, new) = quilt();
    let before = rowsight(&["plan", &new]).1;
    assert!(!before.contains("earlier"));
    // The quilt itself, and what is no quilt, is left out.
    let list = place.path().join("list.txt");
    std::fs::write(&list, "to buy: thread").unwrap();
    let list = list.display().to_string();
    let folders = [&one, &two, &two, &new, "/", &list];
    let (code, said, err) = rowsight(&[&["plan", &new, "--earlier"], &folders[..]].concat());
    assert_eq!(code, 0, "{err}");
    assert!(
        said.contains("2 earlier quilts") && said.contains("in long"),
        "{said}"
    );
    assert!(
        err.contains("itself is left out") && err.contains("2 of those named have no plan"),
        "{err}"
    );
    let plan = std::fs::read_to_string(place.path().join("plan.toml")).unwrap();
    assert_eq!(plan.matches("[[earlier]]").count(), 2, "{plan}");
    let (code, said, err) = rowsight(&["forecast", &new]);
    assert!(
        code == 0 && said.contains("Going by your earlier quilts"),
        "{said} {err}"
    );
    assert!(
        said.lines().all(|line| line.chars().count() <= 80),
        "{said}"
    );
    // Another change leaves them.
    let (code, said, _) = rowsight(&["plan", &new, "--tolerance", "3mm"]);
    assert!(code == 0 && said.contains("2 earlier quilts"), "{said}");
    for (folders, says) in [
        (vec![new.as_str()], "no advance was measured"),
        (vec!["/"], "no advance was measured"),
        (vec![], "--earlier"),
    ] {
        let (code, _, err) = rowsight(&[&["plan", &new, "--earlier"], &folders[..]].concat());
        assert!(code == 2 && err.contains(says), "{folders:?} {err}");
    }
    // A damaged journal is named; the others are taken in.
    let journal = Path::new(&one).join("journal.db");
    std::fs::write(&journal, b"no journal").unwrap();
    let (code, said, err) = rowsight(&["plan", &new, "--earlier", &one, &two]);
    assert!(
        code == 2 && said.contains("One earlier quilt"),
        "{said} {err}"
    );
    assert!(err.contains("journal.db"), "{err}");
}

#[test]
fn quilts_in_different_units_are_tuned_together_and_it_is_said() {
    let (_a, _b, inches) = played(&["--seed", "5"]);
    let (_c, _d, mm) = played(&["--seed", "6"]);
    let plan = Path::new(&mm).join("plan.toml");
    let text = std::fs::read_to_string(&plan).unwrap();
    let changed = text.replace("unit = \"in\"", "unit = \"mm\"");
    assert_ne!(changed, text);
    std::fs::write(&plan, changed).unwrap();
    let (code, said, err) = rowsight(&["tune", &inches, &mm]);
    assert!(code == 0 && said.contains("on 2 quilts"), "{said} {err}");
    assert!(err.contains("in inches and in mm"), "{err}");
    let (_, _, err) = rowsight(&["tune", &inches, &inches]);
    assert!(!err.contains("in inches and in mm"), "{err}");
}

#[test]
fn a_damaged_journal_is_named_repaired_and_the_others_are_tuned() {
    let (_a, _b, good) = played(&["--seed", "2"]);
    let (_c, _d, bad) = played(&["--seed", "3"]);
    let journal = Path::new(&bad).join("journal.db");
    let mut bytes = std::fs::read(&journal).unwrap();
    let words = b"\"row\":4,\"x_origin\"";
    let at = bytes.windows(words.len()).position(|w| w == words).unwrap() / 4096 * 4096;
    bytes[at..at + 4096].fill(0xA5);
    std::fs::write(&journal, bytes).unwrap();
    let (code, said, err) = rowsight(&["tune", &good, &bad]);
    assert!(
        code == 2 && said.contains("HOW YOU ADVANCE"),
        "{code} {said}"
    );
    one_sentence(&err, "can still be read");
    let (code, _, err) = rowsight(&["log", &bad, "--repair"]);
    assert_eq!(code, 0, "{err}");
    assert!(Path::new(&bad).join("journal-before-repair-1.db").exists());
    let (code, _, err) = rowsight(&["tune", &good, &bad]);
    assert_eq!(code, 0, "{err}");
}

/// A slip in a name must not cost the plan, the journal or a photo.
#[test]
fn files_of_another_kind_are_never_written_over() {
    let (_a, _b, folder) = played(&[]);
    let at = |name: &str| Path::new(&folder).join(name);
    let shown = |name: &str| at(name).display().to_string();
    std::fs::write(at("row-01.jpg"), b"a photo").unwrap();
    let files = ["journal.db", "plan.toml", "meander.svg", "row-01.jpg"];
    let bytes = || files.map(|name| std::fs::read(at(name)).unwrap());
    let before = bytes();
    let (journal, plan) = (shown("journal.db"), shown("plan.toml"));
    for (arguments, says) in [
        (vec!["report", &folder, "-o", &journal], "end in .html"),
        (vec!["report", &folder, "--csv", &plan], "end in .csv"),
        (vec!["report", &folder, "--pdf", &journal], "end in .pdf"),
        (vec!["tune", &folder, "--page", &plan], "end in .html"),
        (vec!["plan", &folder, "--picture", &journal], "end in .svg"),
        (
            vec![
                "rehearse",
                &folder,
                "--rows",
                "1",
                "--megapixels",
                "0.3",
                "-o",
                &folder,
            ],
            "is no practice photo",
        ),
    ] {
        let (code, _, err) = rowsight(&arguments);
        assert_eq!(code, 2, "{arguments:?} {err}");
        one_sentence(&err, says);
    }
    assert!(bytes() == before);
}

/// To look keeps nothing, and is only known to `--finished`: with `--each` it was passed over, and the journals were
/// written.
#[test]
fn to_only_look_at_each_quilt_is_refused() {
    let (quilt, _) = quilt();
    let parent = tempfile::tempdir().unwrap();
    let inside = parent.path().join("quilt");
    std::fs::rename(quilt.path(), &inside).unwrap();
    let parent = parent.path().display().to_string();
    let (code, _, err) = rowsight(&["batch", "--each", &parent, "--look"]);
    assert!(code == 2 && err.contains("--look"), "{code} {err}");
    assert!(!inside.join("journal.db").exists());
}

#[test]
fn the_same_photo_twice_counts_once() {
    let (_place, folder) = quilt();
    let (_, once, _) = rowsight(&["snap", &folder, &photo(2), "--row", "2", "--look", "--json"]);
    let (code, twice, err) = rowsight(&[
        "snap",
        &folder,
        &photo(2),
        &photo(2),
        "--row",
        "2",
        "--look",
        "--json",
    ]);
    assert_eq!(code, 2);
    one_sentence(&err, "the same picture");
    assert_eq!(once, twice);
}

#[test]
fn one_quilt_named_twice_is_tuned_once() {
    let (_a, _b, folder) = played(&[]);
    let (_, once, _) = rowsight(&["tune", &folder]);
    let (_, twice, _) = rowsight(&["tune", &folder, &format!("{folder}/.")]);
    assert!(once.contains("on 1 quilt") && once == twice, "{twice}");
}

#[test]
fn mistakes_are_said_as_everything_else_is() {
    let (place, folder) = quilt();
    let empty = tempfile::tempdir_in(place.path()).unwrap();
    let empty = empty.path().display().to_string();
    std::fs::create_dir(place.path().join("journal.db")).unwrap();
    for (arguments, says) in [
        (vec!["snapp"], "rowsight: there is no command `snapp`; did"),
        (vec!["plan", &folder, "--rows", "x"], "rowsight: --rows x:"),
        (vec!["snap", &folder], "`rowsight snap` lacks <PHOTO>"),
        (vec!["log", &folder], "journal.db is a folder"),
        (vec!["batch", &folder, &empty], "journal.db is a folder"),
    ] {
        let (code, _, err) = rowsight(&arguments);
        assert_eq!(code, 2, "{arguments:?} {err}");
        one_sentence(&err, says);
    }
    std::fs::remove_dir(place.path().join("journal.db")).unwrap();
    // A photo where the quilt should stand, whether it is there or not.
    for (arguments, says) in [
        (
            ["snap", &photo(2), &folder],
            format!("as in `rowsight snap {folder} {}`", photo(2)),
        ),
        (
            ["snap", "none.jpg", &folder],
            "has to come first".to_owned(),
        ),
        (
            ["batch", &empty, &folder],
            format!("as in `rowsight batch {folder} {empty}`"),
        ),
        (
            ["snap", &photo(2), &photo(3)],
            "is a file, not the folder of a quilt".to_owned(),
        ),
    ] {
        let (code, _, err) = rowsight(&arguments);
        assert_eq!(code, 2, "{arguments:?} {err}");
        one_sentence(&err, &says);
    }
    let (code, _, err) = rowsight(&["batch", &folder, &empty]);
    assert_eq!(code, 2, "{err}");
    one_sentence(&err, "there are no photos there");
}

#[test]
fn a_picture_measured_as_one_row_is_not_taken_for_another() {
    let (_place, quilt) = quilt();
    rowsight(&["snap", &quilt, &photo(2), "--row", "2"]);
    let (code, _, stderr) = rowsight(&["snap", &quilt, &photo(2), "--row", "5"]);
    assert_eq!(code, 2);
    assert!(
        stderr.contains("row 2 was measured from this very picture"),
        "{stderr}"
    );
    let (_, log, _) = rowsight(&["log", &quilt]);
    assert!(
        !log.lines().any(|line| line.trim_start().starts_with("5 ")),
        "{log}"
    );
}

#[test]
fn a_picture_of_the_plan_does_not_take_the_designs_place() {
    let (place, quilt) = quilt();
    let design = place.path().join("meander.svg");
    let before = std::fs::read(&design).unwrap();
    let (code, _, stderr) = rowsight(&["plan", &quilt, "--picture", &design.display().to_string()]);
    assert_eq!(code, 2);
    one_sentence(&stderr, "that is the quilt's design");
    assert_eq!(std::fs::read(&design).unwrap(), before);
}

#[test]
fn a_stitched_first_row_stays_where_it_is() {
    let first_row = |quilt: &str| {
        let plan = std::fs::read_to_string(Path::new(quilt).join("plan.toml")).unwrap();
        let mut lines = plan.lines().map(str::to_owned);
        lines.find(|l| l.starts_with("first-row")).unwrap()
    };
    let (_place, quilt) = quilt();
    let before = first_row(&quilt);
    rowsight(&["snap", &quilt, &photo(1), "--row", "1"]);
    let (code, ..) = rowsight(&["plan", &quilt, "--rows", "5"]);
    assert_eq!(code, 0);
    assert_eq!(first_row(&quilt), before);
}

/// A full disk; `/dev/full` is Linux's.
#[cfg(target_os = "linux")]
#[test]
fn words_that_cannot_be_written_are_no_success() {
    let (_place, quilt) = quilt();
    let full = std::fs::File::options()
        .write(true)
        .open("/dev/full")
        .unwrap();
    let log = std::process::Command::new(env!("CARGO_BIN_EXE_rowsight"))
        .args(["plan", &quilt])
        .stdout(full)
        .output()
        .unwrap();
    assert_eq!(log.status.code(), Some(2));
    one_sentence(&String::from_utf8_lossy(&log.stderr), "cannot be written");
}
