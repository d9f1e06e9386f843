//! A finished check as people and programs read it: terminal, JSON, picture.

mod chart;
mod colours;
pub mod explain;
pub mod finished;
pub mod log;
pub mod missed_part;
pub mod overlay;
pub mod paper;
pub mod pdf;
pub mod quilt;
mod table;
pub mod terminal;
pub mod tune;

pub use explain::explain;
pub use log::log_table;
pub(crate) use table::{plain, without_controls, wrap};
pub use terminal::terminal;

use crate::record::Record;

/// How a text report is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Style {
    /// Whether to set off the verdict with colour; the words alone carry the meaning.
    pub colour: bool,
    /// Columns of the terminal; at least 40 are taken.
    pub width: usize,
}

impl Default for Style {
    fn default() -> Self {
        Style {
            colour: false,
            width: 80,
        }
    }
}

/// The check as the JSON document described in [`crate::record`], one document with a line feed.
///
/// # Errors
///
/// When the record cannot be written as JSON; a record of numbers and text always can.
pub fn json(record: &Record) -> Result<String, serde_json::Error> {
    Ok(serde_json::to_string_pretty(record)? + "\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::LengthUnit;
    use serde::Deserialize;

    // The document as design and users know it, declared apart from the crate's own types so that a
    // renamed key or a changed word fails here.
    #[derive(Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Document {
        schema: String,
        photos: Vec<Photo>,
        rows: Vec<Row>,
        gaps: Vec<Gap>,
        drift: Vec<Drift>,
        verdict: Verdict,
    }

    #[derive(Deserialize)]
    struct Photo {
        path: String,
        cards: Vec<String>,
        corners: u32,
        residual_px: f64,
        mm_per_px: f64,
    }

    #[derive(Deserialize)]
    struct Value {
        value: f64,
        u: f64,
    }

    #[derive(Deserialize)]
    struct Row {
        row: u32,
        x_origin: String,
        seen_from_mm: f64,
        seen_to_mm: f64,
        offset_mm: Value,
        slope_mm_per_m: Value,
        bow_mm: Value,
        shift_mm: Value,
        wobble_mm: f64,
        coverage: f64,
        missed: Vec<Missed>,
    }

    #[derive(Deserialize)]
    struct Missed {
        from_mm: f64,
        to_mm: f64,
    }

    #[derive(Deserialize)]
    struct Gap {
        from_row: u32,
        to_row: u32,
        plan_mm: f64,
        clearance_mm: Option<Value>,
        clearance_x_mm: Option<f64>,
        clearance_row: Option<u32>,
        spacing: Vec<Place>,
        skew_mm_per_m: Value,
        bow_mm: Value,
    }

    #[derive(Deserialize)]
    struct Place {
        at: String,
        x_mm: f64,
        value: f64,
        u: f64,
    }

    #[derive(Deserialize)]
    struct Drift {
        row: u32,
        left: Value,
        centre: Value,
        right: Value,
    }

    #[derive(Deserialize)]
    struct Verdict {
        action: String,
        reasons: Vec<String>,
        next_advance_mm: Option<Sides>,
    }

    #[derive(Deserialize)]
    struct Sides {
        left: f64,
        centre: f64,
        right: f64,
    }

    #[test]
    fn the_json_document_has_the_documented_keys_and_words() {
        let (mut record, _) = terminal::tests::example(LengthUnit::Inch);
        let text = json(&record).unwrap();
        assert!(text.ends_with("}\n"));
        let document: Document = serde_json::from_str(&text).unwrap();
        assert_eq!(document.schema, "rowsight.row/1");

        let photo = &document.photos[0];
        assert!(photo.path.ends_with(".jpg"));
        assert_eq!(photo.cards, ["sheet 1", "strip 3"]);
        assert_eq!(
            (photo.corners, photo.residual_px, photo.mm_per_px),
            (118, 0.061, 0.412)
        );

        let row = &document.rows[1];
        assert_eq!((row.row, row.x_origin.as_str()), (7, "view"));
        assert_eq!((row.seen_from_mm, row.seen_to_mm), (-610.0, 590.0));
        assert_eq!((row.offset_mm.value, row.offset_mm.u), (0.0, 0.1));
        assert_eq!((row.slope_mm_per_m.value, row.bow_mm.value), (-1.2, 0.6));
        assert_eq!(
            (row.shift_mm.value, row.wobble_mm, row.coverage),
            (-127.0, 1.1, 0.987)
        );
        assert_eq!((row.missed[0].from_mm, row.missed[0].to_mm), (310.0, 355.0));

        let gap = &document.gaps[0];
        assert_eq!((gap.from_row, gap.to_row, gap.plan_mm), (6, 7, 152.4));
        assert_eq!(
            gap.clearance_mm.as_ref().map(|clearance| clearance.value),
            Some(12.1)
        );
        assert_eq!(
            (gap.clearance_x_mm, gap.clearance_row),
            (Some(-212.7), Some(7))
        );
        let at: Vec<&str> = gap.spacing.iter().map(|place| place.at.as_str()).collect();
        assert_eq!(at, ["left", "centre", "right"]);
        let right = &gap.spacing[2];
        assert_eq!((right.x_mm, right.value, right.u), (600.0, 155.2, 0.25));
        assert_eq!((gap.skew_mm_per_m.value, gap.bow_mm.value), (1.9, 0.1));

        let drift = &document.drift[0];
        assert_eq!(drift.row, 7);
        let sides = [&drift.left, &drift.centre, &drift.right].map(|side| side.value);
        assert_eq!(sides, [0.5, 1.5, 2.5]);

        let Verdict {
            action,
            reasons,
            next_advance_mm,
        } = document.verdict;
        assert_eq!((action.as_str(), reasons.len()), ("trim", 2));
        let trim = next_advance_mm.unwrap();
        assert_eq!([trim.left, trim.centre, trim.right], [-0.5, -1.5, -2.5]);

        // What is not known is null, and every action has its word.
        record.verdict.next_advance_mm = None;
        record.gaps[0].clearance_mm = None;
        use crate::record::Action;
        for (action, word) in [
            (Action::CarryOn, "carry-on"),
            (Action::ReSquare, "re-square"),
            (Action::Retake, "retake"),
        ] {
            record.verdict.action = action;
            let text = json(&record).unwrap();
            assert!(text.contains("\"next_advance_mm\": null"), "{text}");
            assert!(text.contains("\"clearance_mm\": null"), "{text}");
            let document: Document = serde_json::from_str(&text).unwrap();
            assert_eq!(document.verdict.action, word);
        }
    }
}
