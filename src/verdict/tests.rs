//! Verdicts of named situations. Tolerances here: spacing 3 mm, drift 6 mm, skew 3 mm/m, bow 3 mm;
//! 12 rows, 2 m wide.

use super::*;
use crate::plan::Tolerance;
use crate::record::{At, DriftRecord, OffDesign, Stretch, XOrigin};
use crate::units::LengthUnit;

fn plan() -> Plan {
    Plan {
        unit: LengthUnit::Millimetre,
        width_mm: 2000.0,
        length_mm: 2000.0,
        design_file: "waves.svg".into(),
        repeat_mm: 250.0,
        spacing_mm: 150.0,
        stagger: 0.5,
        rows: 12,
        first_row_mm: 80.0,
        card_bar_mm: 150.0,
        tolerance: Tolerance {
            spacing_mm: 3.0,
            drift_mm: 6.0,
            skew_mm_per_m: 3.0,
            bow_mm: 3.0,
        },
        roll: Default::default(),
        earlier: Vec::new(),
    }
}

/// A row as it may be found; every test states only what differs.
#[derive(Clone)]
struct Case {
    row: u32,
    /// Deviation of the newest gap at left, centre, right, mm.
    gap: Option<[f64; 3]>,
    gap_u: [f64; 3],
    /// Drift at left, centre, right, mm; `None`: the chain is broken between rows 3 and 4.
    drift: Option<[f64; 3]>,
    drift_u: f64,
    bow: Uncertain,
    warnings: Vec<Warning>,
    hand_u_mm: [f64; 3],
    missed: Vec<Stretch>,
    off_design: Vec<OffDesign>,
    half_width_mm: f64,
}

impl Default for Case {
    fn default() -> Self {
        Case {
            row: 7,
            gap: Some([0.0; 3]),
            gap_u: [0.25; 3],
            drift: Some([0.0; 3]),
            drift_u: 0.6,
            bow: Uncertain { value: 0.0, u: 0.3 },
            warnings: Vec::new(),
            hand_u_mm: [0.0; 3],
            missed: Vec::new(),
            off_design: Vec::new(),
            half_width_mm: 1000.0,
        }
    }
}

impl Case {
    fn decide(&self) -> VerdictRecord {
        self.decide_for(&plan())
    }

    fn decide_for(&self, plan: &Plan) -> VerdictRecord {
        let half = self.half_width_mm;
        let unknown = Uncertain { value: 0.0, u: 0.2 };
        let skew = |[left, _, right]: [f64; 3], u: f64| Uncertain {
            value: (right - left) / (2.0 * half) * 1000.0,
            u,
        };
        let measured = RowRecord {
            row: self.row,
            x_origin: XOrigin::Quilt,
            seen_from_mm: -half,
            seen_to_mm: half,
            offset_mm: unknown,
            slope_mm_per_m: unknown,
            bow_mm: self.bow,
            shift_mm: unknown,
            wobble_mm: 1.0,
            coverage: 0.99,
            missed: self.missed.clone(),
            missed_in_photo: Vec::new(),
            off_design: self.off_design.clone(),
            chance: None,
        };
        let gap = self.gap.map(|deviation| GapRecord {
            from_row: self.row - 1,
            to_row: self.row,
            plan_mm: plan.spacing_mm,
            clearance_mm: None,
            plan_clearance_mm: None,
            clearance_x_mm: None,
            clearance_row: None,
            spacing: [(At::Left, -half), (At::Centre, 0.0), (At::Right, half)]
                .into_iter()
                .zip(deviation)
                .zip(self.gap_u)
                .map(|(((at, x_mm), deviation), u)| SpacingRecord {
                    at,
                    x_mm,
                    value: plan.spacing_mm + deviation,
                    u,
                })
                .collect(),
            skew_mm_per_m: skew(deviation, 0.2),
            bow_mm: unknown,
        });
        let position = self
            .drift
            .map(|drift| {
                let [left, centre, right] = drift.map(|value| Uncertain {
                    value,
                    u: self.drift_u,
                });
                RowPosition {
                    drift: DriftRecord {
                        row: self.row,
                        left,
                        centre,
                        right,
                    },
                    x_mm: Some([-half, 0.0, half]),
                    skew_mm_per_m: skew(drift, 0.4),
                }
            })
            .ok_or(MissingGap {
                from_row: 3,
                to_row: 4,
            });
        let unknown = QuiltState::unknown(&crate::learn::state::Prior::default(), half);
        let state = match (position, self.gap) {
            (Ok(position), _) => {
                let drift = position.drift;
                let places = [drift.left, drift.centre, drift.right];
                unknown.with_drift(places, position.skew_mm_per_m.u)
            }
            (Err(_), Some(gap)) => {
                let own = [0, 1, 2].map(|i| uncertain(gap[i], self.gap_u[i]));
                unknown.with_drift(own, 0.2)
            }
            (Err(_), None) => unknown,
        };
        let situation = Situation {
            row: self.row,
            measured: &measured,
            gap: gap.as_ref(),
            state,
            position,
            warnings: &self.warnings,
            hand_u_mm: self.hand_u_mm,
        };
        decide(plan, &situation)
    }
}

fn uncertain(value: f64, u: f64) -> Uncertain {
    Uncertain { value, u }
}

#[test]
fn the_action_follows_from_the_situation() {
    let curled = |spoils| {
        vec![Warning {
            what: "Sheet 1 does not lie flat.".into(),
            remedy: "Tape it to a stiff board.".into(),
            spoils,
        }]
    };
    let ok = Case::default;
    let cases: Vec<(&str, Action, Case)> = vec![
        ("everything on plan", Action::CarryOn, ok()),
        (
            "gap off by less than the guarded tolerance",
            Action::CarryOn,
            Case {
                gap: Some([2.5, 0.0, -2.5]),
                ..ok()
            }, // 3 − 1.645·0.25 = 2.59
        ),
        (
            "gap near its limit",
            Action::Trim,
            Case {
                gap: Some([2.7, 2.7, 2.7]),
                drift: Some([2.7, 2.7, 2.7]),
                ..ok()
            },
        ),
        (
            "gap beyond its limit",
            Action::Trim,
            Case {
                gap: Some([0.0, 0.0, 4.0]),
                drift: Some([0.0, 0.0, 4.0]),
                ..ok()
            },
        ),
        (
            "gap beyond its limit, but the row lies where it should",
            Action::CarryOn,
            Case {
                gap: Some([4.0; 3]),
                ..ok()
            },
        ),
        (
            "gap too narrow",
            Action::Trim,
            Case {
                gap: Some([-4.0; 3]),
                drift: Some([-4.0; 3]),
                ..ok()
            },
        ),
        (
            "drift beyond, gap fine",
            Action::Trim,
            Case {
                drift: Some([8.0; 3]),
                ..ok()
            },
        ),
        (
            "small drift is chance and left alone",
            Action::CarryOn,
            Case {
                drift: Some([1.5, 1.0, 0.5]),
                ..ok()
            },
        ),
        (
            "skew beyond, more than one advance may take out",
            Action::ReSquare,
            Case {
                drift: Some([-4.0, 0.0, 4.0]),
                ..ok()
            }, // 4 mm/m
        ),
        (
            "skew beyond on a narrow quilt, where one advance takes it out",
            Action::Trim,
            Case {
                drift: Some([-2.0, 0.0, 2.0]),
                half_width_mm: 500.0,
                ..ok()
            }, // 4 mm/m
        ),
        (
            "skew near its limit",
            Action::Trim,
            Case {
                drift: Some([-3.1, 0.0, 3.1]),
                ..ok()
            },
        ),
        (
            "bow beyond: slack middle",
            Action::ReSquare,
            Case {
                bow: uncertain(4.0, 0.4),
                ..ok()
            },
        ),
        (
            "bow near its limit",
            Action::Trim,
            Case {
                bow: uncertain(3.0, 0.4),
                ..ok()
            },
        ),
        (
            "bow not known well",
            Action::CarryOn,
            Case {
                bow: uncertain(1.0, 2.0),
                ..ok()
            },
        ),
        (
            "gap uncertain, and it matters",
            Action::Retake,
            Case {
                gap: Some([0.0, 0.0, 1.5]),
                gap_u: [0.3, 0.3, 1.2],
                ..ok()
            },
        ),
        (
            "gap so uncertain that nothing could be accepted",
            Action::Retake,
            Case {
                gap_u: [2.0; 3],
                ..ok()
            },
        ),
        (
            "gap uncertain, but inside all the same",
            Action::CarryOn,
            Case {
                gap_u: [1.2; 3],
                ..ok()
            },
        ),
        (
            "gap uncertain, but beyond all the same",
            Action::Trim,
            Case {
                gap: Some([6.0; 3]),
                gap_u: [1.2; 3],
                drift: Some([6.0; 3]),
                ..ok()
            },
        ),
        (
            "drift uncertain after many gaps does not ask for a photo",
            Action::CarryOn,
            Case {
                drift: Some([2.0; 3]),
                drift_u: 3.0,
                ..ok()
            },
        ),
        (
            "card curled",
            Action::Retake,
            Case {
                warnings: curled(true),
                ..ok()
            },
        ),
        (
            "card curled a little",
            Action::CarryOn,
            Case {
                warnings: curled(false),
                ..ok()
            },
        ),
        (
            "row above not in view",
            Action::Retake,
            Case { gap: None, ..ok() },
        ),
        (
            "first row",
            Action::CarryOn,
            Case {
                row: 1,
                gap: None,
                ..ok()
            },
        ),
        (
            "first row bows",
            Action::ReSquare,
            Case {
                row: 1,
                gap: None,
                bow: uncertain(-5.0, 0.4),
                ..ok()
            },
        ),
        (
            "second row too wide",
            Action::Trim,
            Case {
                row: 2,
                gap: Some([4.0; 3]),
                drift: Some([4.0; 3]),
                ..ok()
            },
        ),
        (
            "chain broken, gap fine",
            Action::CarryOn,
            Case {
                drift: None,
                ..ok()
            },
        ),
        (
            "chain broken, gap wide",
            Action::Trim,
            Case {
                gap: Some([4.0; 3]),
                drift: None,
                ..ok()
            },
        ),
        (
            "last row: nothing left to change",
            Action::CarryOn,
            Case {
                row: 12,
                gap: Some([5.0; 3]),
                drift: Some([9.0; 3]),
                ..ok()
            },
        ),
        (
            "not a number",
            Action::Retake,
            Case {
                gap: Some([f64::NAN, 0.0, 0.0]),
                ..ok()
            },
        ),
    ];
    for (name, action, case) in cases {
        let verdict = case.decide();
        assert_eq!(verdict.action, action, "{name}: {verdict:#?}");
        assert!(!verdict.reasons.is_empty(), "{name}: no reason given");
        for reason in &verdict.reasons {
            assert!(
                reason.ends_with('.') && !reason.contains("NaN"),
                "{name}: {reason}"
            );
        }
        // A retake knows nothing about the next advance, and after the last row there is none.
        let known = action != Action::Retake && case.row < 12;
        assert_eq!(
            verdict.next_advance_mm.is_some(),
            known,
            "{name}: {verdict:#?}"
        );
        if action == Action::CarryOn && known {
            assert_eq!(
                verdict.next_advance_mm,
                Some(AdvanceTrim::default()),
                "{name}"
            );
        }
    }
}

#[track_caller]
fn assert_trim(verdict: &VerdictRecord, expected: [f64; 3]) {
    let trim = verdict.next_advance_mm.unwrap();
    for (got, expected) in [trim.left, trim.centre, trim.right]
        .into_iter()
        .zip(expected)
    {
        assert!(
            (got - expected).abs() < 1e-9,
            "{verdict:#?}\nexpected {expected}"
        );
    }
}

/// Gains on the drift for five rows left, from the last one back: 0.667, 0.365, 0.211, 0.140, 0.105 (the
/// recursion in numpy).
#[test]
fn a_trim_takes_back_what_the_row_has_drifted_over_the_rows_left() {
    let case = Case {
        gap: Some([1.0, 2.0, 3.0]),
        drift: Some([1.0, 3.0, 5.0]),
        ..Case::default()
    };
    let verdict = case.decide();
    // 0.105 of 5 mm is 0.52 mm at the right, 0.10 mm at the left: in steps of 0.5 mm.
    assert_trim(&verdict, [0.0, -0.25, -0.5]);
    assert_eq!(
        verdict.reasons[0],
        "Gap 6-7 is on the wide side: 3.0 mm at the right (± 0.5 mm; the plan accepts 3.0 mm)."
    );
    assert_eq!(
        verdict.reasons.last().unwrap(),
        "Next advances against the plan: 0.5 mm less for one row (later up to 1.5 mm) on the right; nothing on \
         the left."
    );
    // Where the photo shows less than the row, left and right are not the quilt's ends.
    let verdict = Case {
        half_width_mm: 600.0,
        ..case
    }
    .decide();
    let roll = |reason: &&String| reason.starts_with("Next advances against the plan");
    let roll = verdict.reasons.iter().find(roll).unwrap();
    assert!(
        roll.ends_with(
            "Left and right are the ends of what was in view, 1200.0 mm apart; further out the difference grows \
             in step."
        ),
        "{roll}"
    );
}

#[test]
fn a_correction_that_would_show_in_one_gap_is_spread_over_as_many_as_it_takes() {
    let case = Case {
        drift: Some([8.0; 3]),
        ..Case::default()
    };
    // 0.105 of 8 mm, in steps of 0.5 mm; then 1.5, 1.5, 2.0 and 2.0 mm, so that no gap changes much.
    let verdict = case.decide();
    assert_trim(&verdict, [-1.0; 3]);
    let said =
        "Next advances against the plan: 1.0 mm less for one row (later up to 2.0 mm), all across.";
    assert!(
        verdict.reasons.iter().any(|reason| reason == said),
        "{verdict:#?}"
    );
}

#[test]
fn with_few_rows_left_the_most_is_taken_out_and_the_rest_is_said() {
    let case = Case {
        row: 10,
        drift: Some([12.0; 3]),
        drift_u: 0.4,
        ..Case::default()
    };
    let verdict = case.decide();
    // 3 mm less the guard band of 0.41 mm, in steps of 0.5 mm: 2.5 mm in each of two gaps.
    assert_trim(&verdict, [-2.5; 3]);
    let said = "The rows left cannot take out all of it without showing; 7.0 mm stays.";
    assert!(
        verdict.reasons.iter().any(|reason| reason.ends_with(said)),
        "{verdict:#?}"
    );
}

#[test]
fn no_correction_makes_a_gap_show() {
    for row in [2, 5, 9, 11] {
        for drift in [
            [9.0, 8.0, 7.0],
            [3.0, 0.0, -2.9],
            [-20.0, -21.0, -20.0],
            [6.5, 4.0, 1.0],
        ] {
            let verdict = Case {
                row,
                drift: Some(drift),
                ..Case::default()
            }
            .decide();
            assert_ne!(
                verdict.action,
                Action::Retake,
                "{row} {drift:?} {verdict:#?}"
            );
            let trim = verdict.next_advance_mm.unwrap();
            for (mm, drift) in [trim.left, trim.centre, trim.right].into_iter().zip(drift) {
                assert!(
                    mm.abs() < 2.76 && mm * drift <= 0.0,
                    "row {row}, {drift:?}: {trim:?}"
                );
            }
        }
    }
}

#[test]
fn a_crooked_quilt_is_set_square_at_once() {
    let verdict = Case {
        drift: Some([-5.0, 1.0, 7.0]),
        ..Case::default()
    }
    .decide();
    assert_eq!(verdict.action, Action::ReSquare);
    // The lean of 6 mm to each side; the middle's 1 mm can wait.
    assert_trim(&verdict, [6.0, 0.0, -6.0]);
    assert_eq!(
        verdict.reasons[..3],
        [
            "Row 7 leans against row 1: its right end lies 12.0 mm further down than its left end, over \
             2000.0 mm (± 1.6 mm; the plan accepts 6.0 mm).",
            "That is too much to roll out in one advance without showing: undo the advance and set the \
             quilt square on the bars before row 8.",
            "Then check with a tape that row 7 lies equally far from the roller at left, centre and right.",
        ]
    );
}

#[test]
fn a_bow_is_smoothed_because_straight_rollers_cannot_take_it_out() {
    let verdict = Case {
        bow: uncertain(4.5, 0.4),
        drift: Some([0.0, 10.0, 0.0]),
        ..Case::default()
    }
    .decide();
    assert!(
        verdict.reasons[0].contains("slack in the middle"),
        "{verdict:#?}"
    );
    let trim = verdict.next_advance_mm.unwrap();
    // The middle alone cannot be rolled: the line nearest to 0, 10, 0 mm is 5 mm, and 0.105 of it 0.52 mm.
    assert_eq!([trim.left, trim.centre, trim.right], [-0.5; 3]);
    let tight = Case {
        bow: uncertain(-4.5, 0.4),
        ..Case::default()
    }
    .decide();
    assert!(
        tight.reasons[0].contains("tighter in the middle"),
        "{tight:#?}"
    );
}

#[test]
fn a_retake_says_where_the_photo_is_too_coarse_and_what_helps() {
    let case = Case {
        gap: Some([0.0, 0.0, 1.5]),
        gap_u: [0.3, 0.3, 1.2],
        ..Case::default()
    };
    let verdict = case.decide();
    assert_eq!(
        verdict.reasons[0],
        "Gap 6-7 is known only to ± 2.4 mm at the right: too coarse to hold it against the 3.0 mm that the \
         plan accepts."
    );
    assert!(
        verdict.reasons[1].contains("nearer to the right end"),
        "{verdict:#?}"
    );
}

#[test]
fn no_photo_is_asked_for_again_for_what_the_hand_does() {
    let by_photo = Case {
        gap: Some([0.0, 0.0, 1.5]),
        gap_u: [0.3, 0.3, 1.2],
        ..Case::default()
    };
    assert_eq!(by_photo.decide().action, Action::Retake);
    // 0.44 mm of it are the photo's.
    let by_hand = Case {
        hand_u_mm: [0.2, 0.2, 1.12],
        ..by_photo.clone()
    };
    let verdict = by_hand.decide();
    assert_ne!(verdict.action, Action::Retake, "{verdict:#?}");
    // 1.0 mm of it: still too coarse.
    let by_both = Case {
        hand_u_mm: [0.2, 0.2, 0.66],
        ..by_photo
    };
    assert_eq!(by_both.decide().action, Action::Retake);
}

#[test]
fn a_missed_part_comes_first_with_its_place() {
    let missed = vec![Stretch {
        from_mm: -355.0,
        to_mm: -310.0,
    }];
    let verdict = Case {
        missed,
        ..Case::default()
    }
    .decide_for(&Plan {
        unit: LengthUnit::Inch,
        ..plan()
    });
    assert_eq!(
        verdict.reasons[0],
        "Stitch the missed part of row 7 before you roll on: the row is not stitched over 1 25/32 in of its \
         width, 13 3/32 in left of the centre of the quilt."
    );
}

/// Verdict, reasons and what is to be done first agree, whatever the action.
#[test]
fn what_is_to_be_done_first_stands_first_in_the_verdict_and_in_the_reasons() {
    use crate::report::terminal::tests::example;
    let (from_mm, to_mm) = (-355.0, -310.0);
    let missed = vec![Stretch { from_mm, to_mm }];
    let off_mm = 9.0;
    let off_design = vec![OffDesign {
        from_mm,
        to_mm,
        off_mm,
    }];
    let carry_on = Case::default();
    let trim = Case {
        gap: Some([4.0; 3]),
        drift: Some([4.0; 3]),
        ..Case::default()
    };
    let retake = Case {
        gap: None,
        ..Case::default()
    };
    let (mut record, _) = example(LengthUnit::Millimetre);
    for (case, missed, off_design, verdict, first) in [
        (&carry_on, &vec![], &vec![], "Carry on", "Gap 6-7 is within"),
        (
            &carry_on,
            &missed,
            &vec![],
            "Stitch the missed part, then carry on",
            "Stitch the missed part",
        ),
        (
            &carry_on,
            &vec![],
            &off_design,
            "Look at what lies off the design, then carry on",
            "Look at row 7, 332.5 mm left",
        ),
        (
            &trim,
            &missed,
            &off_design,
            "Stitch the missed part, then trim the next advance",
            "Stitch the missed part",
        ),
        (
            &retake,
            &missed,
            &off_design,
            "Retake the photo",
            "The gap between rows 6 and 7 could not be measured",
        ),
    ] {
        let decided = Case {
            missed: missed.clone(),
            off_design: off_design.clone(),
            ..case.clone()
        }
        .decide();
        let newest = record.rows.last_mut().unwrap();
        (newest.missed, newest.off_design) = (missed.clone(), off_design.clone());
        assert!(decided.reasons[0].starts_with(first), "{decided:#?}");
        record.verdict = decided;
        assert_eq!(headline(&record), verdict);
    }
    record.verdict.action = Action::ReSquare;
    assert_eq!(
        headline(&record),
        "Stitch the missed part, then re-square before the next row"
    );
}

#[test]
fn a_broken_chain_is_named_and_the_advice_rests_on_the_gap_alone() {
    let verdict = Case {
        gap: Some([4.0; 3]),
        drift: None,
        ..Case::default()
    }
    .decide();
    // 0.105 of 4 mm is 0.42 mm, which is nearer to a step of 0.5 mm than to none.
    assert_trim(&verdict, [-0.5; 3]);
    let said = "How far row 7 has drifted since row 1 is not known: the gap from row 3 to row 4 was never \
                measured. Row 6 is taken to lie as planned.";
    assert!(
        verdict.reasons.iter().any(|reason| reason == said),
        "{verdict:#?}"
    );
}

#[test]
fn the_unseen_ends_of_a_row_are_mentioned() {
    let verdict = Case {
        half_width_mm: 600.0,
        ..Case::default()
    }
    .decide();
    let said =
        "Only 1200.0 mm of the quilt's 2000.0 mm was in view: the rest of the row is not checked.";
    assert!(
        verdict.reasons.iter().any(|reason| reason == said),
        "{verdict:#?}"
    );
}

/// The situation is put together from what was measured now and what the journal holds.
#[test]
fn a_situation_joins_the_photos_gaps_to_those_of_the_quilt() {
    let gap = |from_row: u32, deviation: f64| GapRecord {
        from_row,
        to_row: from_row + 1,
        plan_mm: 150.0,
        clearance_mm: None,
        plan_clearance_mm: None,
        clearance_x_mm: None,
        clearance_row: None,
        spacing: [(At::Left, -1000.0), (At::Centre, 0.0), (At::Right, 1000.0)]
            .map(|(at, x_mm)| SpacingRecord {
                at,
                x_mm,
                value: 150.0 + deviation,
                u: 0.3,
            })
            .to_vec(),
        skew_mm_per_m: uncertain(0.0, 0.3),
        bow_mm: uncertain(0.0, 0.3),
    };
    let measured = RowRecord {
        row: 4,
        x_origin: XOrigin::Quilt,
        seen_from_mm: -1000.0,
        seen_to_mm: 1000.0,
        offset_mm: uncertain(0.0, 0.1),
        slope_mm_per_m: uncertain(0.0, 0.1),
        bow_mm: uncertain(0.0, 0.1),
        shift_mm: uncertain(0.0, 0.1),
        wobble_mm: 1.0,
        coverage: 1.0,
        missed: Vec::new(),
        missed_in_photo: Vec::new(),
        off_design: Vec::new(),
        chance: None,
    };
    // The journal's gap 2-3 was measured again in the new photo, and so was an earlier check's 3-4.
    let journal = [gap(1, 2.0), gap(2, 2.5), gap(3, 9.0)];
    let photo = [gap(2, 4.0), gap(3, 2.0)];
    let plan = plan();
    let situation = Situation::new(&plan, &measured, &photo, &journal, &[], &[]);
    assert_eq!(situation.gap.map(|gap| gap.from_row), Some(3));
    let drift = situation.position.unwrap().drift;
    assert!((drift.centre.value - 6.5).abs() < 1e-9, "{drift:?}");
}
