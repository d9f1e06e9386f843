//! Small practice photos of the classes, drawn and measured as the evaluation does it.

use clap::ValueEnum;
use rowsight::rehearse::PhotoClass;

#[path = "../examples/evaluate.rs"]
#[allow(dead_code)]
mod evaluate;

/// How many photos were answered with confidence, and what was said of those answered wrongly: another row than the
/// newest, a row where there is none, or a spacing more than 3.5 u off.
fn answered(classes: &[PhotoClass]) -> (usize, Vec<String>) {
    let folder = tempfile::tempdir().unwrap();
    let (mut confident, mut wrong) = (0, Vec::new());
    for class in classes {
        let case = evaluate::case_of(*class, 2000, 2.0);
        let (_, tally, line) = evaluate::measured(&case, folder.path(), false).unwrap();
        println!("{line}");
        confident += tally.scenes - tally.retake - tally.refused;
        let off = tally.spacing.iter().any(|(e, u)| e.abs() > 3.5 * u);
        if tally.wrong > 0 || off {
            wrong.push(line);
        }
    }
    (confident, wrong)
}

#[test]
fn small_photos_are_measured_right_and_without_a_row_not_at_all() {
    let (confident, wrong) = answered(&[
        PhotoClass::LargePrint,
        PhotoClass::RailShadow,
        PhotoClass::LowLight,
        PhotoClass::NoRow,
    ]);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert_eq!(confident, 3);
}

/// The rail covers the top of the topmost row, along whose level strokes its edge runs: taken for them, it put the row 2.7 mm
/// too high (4.4 u).
#[test]
fn a_rails_edge_is_not_taken_for_the_strokes_it_hides() {
    let folder = tempfile::tempdir().unwrap();
    let case = evaluate::case_of(PhotoClass::Batik, 1009, 4.0);
    let (_, tally, line) = evaluate::measured(&case, folder.path(), false).unwrap();
    assert_eq!(tally.spacing.len(), 6, "{line}");
    for (error, u) in &tally.spacing {
        assert!(
            error.abs() < 2.5 * u && error.abs() < 1.0,
            "{error}: {line}"
        );
    }
}

#[test]
#[ignore = "draws nineteen photos: half a minute of processor time"]
fn every_class_is_measured_right_or_refused() {
    let (confident, wrong) = answered(PhotoClass::value_variants());
    // One photo is known to be answered wrongly: on the batik the newest row, half of which is rolled away, is
    // passed over for the one above it, with a warning.
    assert!(wrong.len() <= 1, "{}", wrong.join("\n"));
    assert!(confident >= 13, "{confident}");
}
