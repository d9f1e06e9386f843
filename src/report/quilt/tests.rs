use super::*;
use crate::report::log::Standing;
use crate::report::terminal::tests::example;
use crate::units::LengthUnit;

/// Checks of rows 1 to 7 but without those in `left_out`, from the terminal's example; gaps as there.
fn checks(unit: LengthUnit, left_out: &[u32]) -> (Plan, Vec<SavedCheck>) {
    let (record, mut plan) = example(unit);
    plan.rows = 7;
    let check = |number: u32| {
        let mut record = record.clone();
        record.rows[0].row = number.saturating_sub(1);
        record.rows[1].row = number;
        record.rows[0].shift_mm.value = -125.0;
        record.gaps[0].from_row = number.saturating_sub(1);
        record.gaps[0].to_row = number;
        if number == 1 {
            record.rows.remove(0);
            record.gaps.clear();
        }
        SavedCheck {
            id: i64::from(number),
            row: number,
            saved: jiff::civil::date(2026, 5, 3).at(14, 5, 0, 0),
            record,
            fingerprint: None,
            standing: Standing::Current,
            notes: Vec::new(),
        }
    };
    let checks = (1..=7).filter(|n| !left_out.contains(n)).map(check);
    (plan.clone(), checks.collect())
}

/// Six gaps of 154.4 mm in the middle where 152.4 are planned: 12 mm, added up by hand.
#[test]
fn drift_adds_up_and_the_sentence_names_the_worst_row() {
    let (plan, checks) = checks(LengthUnit::Millimetre, &[]);
    let report = report("autumn", &plan, &checks, None);
    assert_eq!(report.rows.len(), 7);
    let last = report.rows[6].drift.unwrap();
    assert!((last.centre.value - 12.0).abs() < 1e-9);
    // √6 times 0.25 mm.
    assert!((last.centre.u - 0.6124).abs() < 1e-3);
    assert_eq!(report.rows[6].shift_mm.unwrap().value, -2.0);
    assert_eq!(report.rows[0].shift_mm, None);
    assert_eq!(report.rows[6].findings.drift, Some(Finding::Beyond));
    let says = &report.verdict;
    assert!(
        says.starts_with("Not as planned: all 7 rows are measured;"),
        "{says}"
    );
    assert!(
        says.contains("row 7 (16.8 mm too far down at the right)"),
        "{says}"
    );
    assert!(
        says.ends_with('.') && says.matches(". ").count() == 0,
        "{says}"
    );
}

#[test]
fn a_row_left_out_leaves_those_below_without_drift_and_is_named() {
    let (plan, checks) = checks(LengthUnit::Inch, &[4]);
    let report = report("autumn", &plan, &checks, None);
    assert_eq!(report.not_measured, [4]);
    assert!(report.rows.iter().all(|r| r.drift.is_some() == (r.row < 4)));
    let said = report.not_known.join("\n");
    assert!(said.contains("Nothing is known of row 4."), "{said}");
    assert!(
        said.contains("A gap above rows 5, 6 and 7 was never measured"),
        "{said}"
    );
}

#[test]
fn a_check_that_asked_for_a_retake_gives_no_numbers() {
    let (plan, mut checks) = checks(LengthUnit::Inch, &[]);
    checks[6].record.verdict.action = Action::Retake;
    let report = report("autumn", &plan, &checks, None);
    assert_eq!((report.rows.len(), &report.retake[..]), (6, &[7][..]));
    assert_eq!(report.not_measured, [7]);
    assert!(page(&report, &[]).contains("machine stopped, hands clear"));
}

#[test]
fn even_rows_are_called_as_planned_only_when_all_are_measured() {
    let (plan, mut all) = checks(LengthUnit::Inch, &[]);
    for check in &mut all {
        for row in &mut check.record.rows {
            row.missed.clear();
        }
        for gap in &mut check.record.gaps {
            gap.skew_mm_per_m.value = 0.0;
            for place in &mut gap.spacing {
                place.value = 152.4;
            }
        }
    }
    let sentence = |checks: &[SavedCheck]| report("autumn", &plan, checks, None).verdict;
    assert!(
        sentence(&all).starts_with("As planned: all 7 rows"),
        "{}",
        sentence(&all)
    );
    assert!(
        sentence(&all[..5]).starts_with("As planned so far: 5 of 7 rows"),
        "{}",
        sentence(&all[..5])
    );
    // An interval of ± 6 mm says nothing about a tolerance of 3.2 mm.
    all[3].record.gaps[0].spacing[1].u = 3.0;
    assert!(
        sentence(&all).starts_with("As planned as far as can be told"),
        "{}",
        sentence(&all)
    );
}

/// The document as it was published, declared apart from the crate's own types; gaps, drift, photos and missed
/// parts are those of `rowsight.row/1`.
#[test]
fn the_json_document_has_the_documented_keys() {
    let (plan, checks) = checks(LengthUnit::Inch, &[4]);
    let text = json(&report("autumn", &plan, &checks, None)).unwrap();
    let document: serde_json::Value = serde_json::from_str(&text).unwrap();
    let keys = |value: &serde_json::Value| {
        let mut keys: Vec<String> = value.as_object().unwrap().keys().cloned().collect();
        keys.sort();
        keys.join(" ")
    };
    assert_eq!(document["schema"], "rowsight.report/1");
    assert_eq!(
        keys(&document),
        "not_known not_measured off_frame plan quilt retake rows schema seen_again verdict"
    );
    assert_eq!(
        keys(&document["plan"]),
        "first_row_mm length_mm rows spacing_mm tolerance_bow_mm tolerance_drift_mm tolerance_skew_mm_per_m \
         tolerance_spacing_mm unit width_mm"
    );
    let last = &document["rows"][5];
    assert_eq!(
        keys(last),
        "action bow_mm coverage drift drift_x_mm findings gap missed missed_in_photo notes off_design photos row saved \
         seen_from_mm seen_to_mm shift_mm skew_mm_per_m wobble_mm x_origin"
    );
    assert_eq!(keys(&last["findings"]), "bow drift gap skew");
    assert_eq!((&last["row"], &last["action"]), (&7.into(), &"trim".into()));
    assert!(last["drift"].is_null() && last["findings"]["drift"].is_null());
    assert_eq!(last["gap"]["spacing"][2]["value"], 155.2);
}

#[test]
fn every_line_of_the_csv_has_the_columns_of_the_heading_and_unknown_is_empty() {
    let (plan, checks) = checks(LengthUnit::Inch, &[4]);
    let bytes = csv(&report("autumn", &plan, &checks, None)).unwrap();
    let mut reader = csv::Reader::from_reader(&bytes[..]);
    let heading = reader.headers().unwrap().clone();
    let column = |name: &str| heading.iter().position(|h| h == name).unwrap();
    let lines: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(lines.len(), 6);
    assert_eq!(&lines[5][column("gap_right_mm")], "155.200");
    assert_eq!(&lines[5][column("drift_left_mm")], "");
    assert_eq!(&lines[2][column("drift_centre_mm")], "4.000");
    assert_eq!(&lines[0][column("gap_left_u_mm")], "");
}

/// Every drawing is well-formed XML (checked by a parser) and has the title and description that SVG Accessibility
/// API Mappings 1.0 make its name; nothing in the page asks for the network.
#[test]
fn the_page_stands_alone_and_its_drawings_are_named() {
    let (plan, checks) = checks(LengthUnit::Inch, &[4]);
    let picture = Picture {
        shows: Shows::Row(2),
        jpeg: vec![0xff, 0xd8, 0xff],
        width: 3,
        height: 2,
    };
    let text = page(&report("autumn <&>", &plan, &checks, None), &[picture]);
    let drawings: Vec<&str> = text
        .split("<svg")
        .skip(1)
        .map(|t| t.split("</svg>").next().unwrap())
        .collect();
    assert_eq!(drawings.len(), 6);
    for drawing in drawings {
        let drawing = format!("<svg{drawing}</svg>");
        let tree = roxmltree::Document::parse(&drawing).expect(&drawing);
        for name in ["title", "desc"] {
            let child = tree
                .root_element()
                .children()
                .find(|n| n.has_tag_name(("http://www.w3.org/2000/svg", name)));
            assert!(
                child.and_then(|n| n.text()).is_some_and(|t| !t.is_empty()),
                "{name}"
            );
        }
        assert!(
            !drawing.contains("NaN") && !drawing.contains("inf"),
            "{drawing}"
        );
    }
    let outside = text.replace("http://www.w3.org/2000/svg", "");
    assert!(!outside.contains("http") && !outside.contains("<script"));
    assert!(text.contains("autumn &lt;&amp;&gt;") && !text.contains("<&>"));
    assert!(text.contains("Not stitched over this much of a row's width"));
    // RFC 4648: three bytes are four characters.
    assert!(text.contains("data:image/jpeg;base64,/9j/\""));
}

/// A chart without a single value is a frame round nothing.
#[test]
fn a_chart_of_which_no_row_has_a_value_is_one_line() {
    let (plan, mut checks) = checks(LengthUnit::Inch, &[]);
    let drawings = |checks: &[SavedCheck]| {
        let text = page(&report("autumn", &plan, checks, None), &[]);
        (text.matches("<svg").count(), text)
    };
    assert_eq!(drawings(&checks).0, 6);
    for check in &mut checks {
        check.record.rows.retain(|row| row.row == check.row);
    }
    let (count, text) = drawings(&checks);
    assert_eq!(count, 5);
    let said = "Shift by row: not known for any row; it takes a photo with the row above in it.";
    assert!(text.contains(said));
    // Without row 1 and the gaps after it there is no drift and no skew either.
    let (count, text) = drawings(&checks[4..]);
    assert_eq!(count, 3);
    assert!(text.contains("Drift by row: not known for any row; it takes every gap since row 1."));
}

/// A row of 12 mm drift at 154 mm apart is drawn five times as large, by hand: 0.6 · 152.4 / (16.8 + 1.2) = 5.1.
#[test]
fn the_map_says_by_how_much_it_exaggerates() {
    let (plan, checks) = checks(LengthUnit::Inch, &[]);
    let report = report("autumn", &plan, &checks, None);
    assert_eq!(map::factor(&report), 5.0);
    assert!(page(&report, &[]).contains("<strong>5 times</strong>"));
}
