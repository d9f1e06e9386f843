//! One small practice photo of every class, drawn and measured as the evaluation does it.

use clap::ValueEnum;
use rowsight::rehearse::PhotoClass;

#[path = "../examples/evaluate.rs"]
#[allow(dead_code)]
mod evaluate;

/// What is measured with confidence is right: the row, and spacing within 3.5 u. A photo may be refused or ask for a
/// retake; most may not, and where there is nothing to find all have to.
#[test]
fn small_photos_of_every_class_are_right_or_refused() {
    let folder = tempfile::tempdir().unwrap();
    let (mut said, mut confident) = (Vec::new(), 0);
    for class in PhotoClass::value_variants() {
        let nothing = matches!(class, PhotoClass::NoRow | PhotoClass::OtherDesign);
        let case = evaluate::case_of(*class, 2000, 2.0);
        let (_, tally, line) = evaluate::measured(&case, folder.path()).unwrap();
        println!("{line}");
        let answered = tally.scenes - tally.retake - tally.refused;
        confident += if nothing { 0 } else { answered };
        let off = tally.spacing.iter().any(|(error, u)| error.abs() > 3.5 * u);
        if tally.wrong > 0 || off {
            said.push(line);
        }
    }
    assert!(said.is_empty(), "{}", said.join("\n"));
    // 17 classes have something to find.
    assert!(confident >= 11, "{confident}");
}
