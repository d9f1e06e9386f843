//! Edges of a finished quilt, and cut-outs of what was missed, on small practice photos. Truth from the drawing, which
//! shares no geometry with the measuring.

mod common;

use common::rowsight;
use rowsight::design::{Design, demo, import};
use rowsight::finished::{FinishedRecord, ToldBy};
use rowsight::plan::file::{self, PlanRequest};
use rowsight::plan::{Plan, Tolerance};
use rowsight::record::{SpacingRecord, XOrigin};
use rowsight::rehearse::{
    Advance, FinishedRange, PracticeQuilt, SIDES, Scene, SceneRange, Truth, edge_line,
    finished_quilt, render, whole_truth, write,
};
use rowsight::units::LengthUnit;
use std::path::Path;

fn plan(design: &Design) -> Plan {
    PlanRequest {
        unit: LengthUnit::Millimetre,
        width_mm: 1100.0,
        length_mm: 800.0,
        design_file: "meander.svg".to_owned(),
        repeat_mm: design.repeat_mm,
        design_height_mm: 90.0,
        spacing_mm: 130.0,
        stagger: 0.5,
        rows: Some(5),
        first_row_mm: Some(140.0),
        card_bar_mm: 150.0,
        roll: Default::default(),
        tolerance: Tolerance::default(),
    }
    .plan()
    .unwrap()
}

/// A quilt's folder with a photo of 3 MP of it in `taken`, drawn with changes, its truth and what was drawn.
fn drawn(change: impl Fn(&mut Scene)) -> (tempfile::TempDir, Plan, Truth, Scene) {
    let place = tempfile::tempdir().unwrap();
    let design = demo::by_name("meander", 200.0, 90.0).unwrap();
    let plan = plan(&design);
    std::fs::write(place.path().join("meander.svg"), import::to_svg(&design)).unwrap();
    file::write(place.path(), &plan).unwrap();
    let range = FinishedRange::new(SceneRange {
        card_bar_mm: [150.0; 2],
        ..SceneRange::easy().with_megapixels(3.0)
    });
    let practice = PracticeQuilt::from_plan(&plan, 3, Advance::default());
    let mut scene = finished_quilt(&practice, 1, 3, &range).remove(0);
    // All of the quilt with floor around it.
    scene.camera.mm_per_px = 0.72;
    change(&mut scene);
    let taken = place.path().join("taken");
    std::fs::create_dir(&taken).unwrap();
    write(&taken, "whole", &render(&scene, &design)).unwrap();
    let truth = whole_truth(&scene, &design);
    (place, plan, truth, scene)
}

fn measured(folder: &Path, more: &[&str]) -> FinishedRecord {
    let (folder, photo) = (folder.display().to_string(), folder.join("taken/whole.jpg"));
    let photo = photo.display().to_string();
    let arguments = [&["batch", &folder, "--finished", &photo, "--json"], more].concat();
    let (code, out, err) = rowsight(&arguments);
    assert!(code <= 1, "{code} {err}");
    serde_json::from_str(&out).unwrap()
}

fn binding_and_floor(scene: &mut Scene, binding: f32, floor: f32) {
    if let Some(relaxed) = &mut scene.relaxed {
        relaxed.binding = [binding; 3];
        relaxed.on_wall = true;
    }
    scene.around.floor = [floor; 3];
}

#[test]
fn margins_and_squareness_hold_against_the_drawing_and_a_missed_part_is_shown() {
    let (place, plan, truth, _) = drawn(|scene| {
        binding_and_floor(scene, 0.95, 0.3);
        scene.rows[2].missed = vec![[60.0, 150.0]];
    });
    let record = measured(place.path(), &[]);
    assert_eq!(record.rows_found, 5);
    assert_eq!(record.rows[0].x_origin, XOrigin::Quilt);
    let edges = record.edges.as_ref().unwrap();
    let lines = SIDES.map(|side| edge_line(&truth.scene, side).unwrap());
    let seen = [&edges.top, &edges.bottom, &edges.left, &edges.right];
    assert!(seen.iter().all(|edge| edge.is_some()), "{edges:?}");
    let s = |row: u32, x: f64| truth.row(row).unwrap().stitched.s_at(x);
    let top = |m: &SpacingRecord| s(1, m.x_mm) - lines[0].0 - lines[0].1 * m.x_mm;
    let bottom = |m: &SpacingRecord| lines[1].0 + lines[1].1 * m.x_mm - s(plan.rows, m.x_mm);
    assert_eq!((edges.above_first.len(), edges.below_last.len()), (3, 3));
    for (m, set) in (edges.above_first.iter().map(|m| (m, top(m))))
        .chain(edges.below_last.iter().map(|m| (m, bottom(m))))
    {
        // Three standard uncertainties; and they are small enough to be of use.
        assert!(
            (m.value - set).abs() < 3.0 * m.u && m.u < 3.0,
            "{m:?} {set}"
        );
    }
    let width = edges.width_at_top_mm.unwrap();
    let set = lines[3].0 - lines[2].0 - (lines[3].1 - lines[2].1) * plan.length_mm / 2.0;
    assert!((width.value - set).abs() < 3.0 * width.u, "{width:?} {set}");

    // Drift from the edge is what row 1 is off it, and what the rows are off row 1.
    let from_edge = record.drift_from_edge.as_ref().unwrap();
    let planned = plan.first_row_mm * (1.0 + record.shrinkage.down.value);
    let first = edges.above_first[1].value - planned;
    assert!((from_edge.rows[0].centre.value - first).abs() < 0.01);
    let last = from_edge.rows[4].centre.value - first;
    assert!((last - record.drift_as_shrunk[4].centre.value).abs() < 0.5);

    let missed = &record.rows[2].missed;
    assert_eq!(missed.len(), 1, "{missed:?}");
    assert!((missed[0].from_mm - 60.0).abs() < 25.0 && (missed[0].to_mm - 150.0).abs() < 25.0);
    let folder = place.path().display().to_string();
    let pdf = place.path().join("report.pdf").display().to_string();
    // The photo itself may be gone: the journal keeps a copy.
    std::fs::remove_file(place.path().join("taken/whole.jpg")).unwrap();
    let (code, _, err) = rowsight(&["report", &folder, "--pdf", &pdf]);
    assert_eq!(code, 0, "{err}");
    let page = std::fs::read_to_string(place.path().join("report.html")).unwrap();
    assert!(page.contains("Cut out of the photos. Dashes"), "no cut-out");
    assert!(page.contains("alt=\"Row 3, from "), "{}", page.len());
    assert!(page.contains("From the top edge to row 1 there are"));
    // The overlay and the cut-out.
    assert_eq!(page.matches("data:image/jpeg;base64,").count(), 2);
}

#[test]
fn no_edge_is_guessed_where_binding_and_wall_are_alike_and_cards_may_tell_it() {
    let (place, _, truth, scene) = drawn(|scene| binding_and_floor(scene, 0.13, 0.28));
    let card = &scene.cards[0];
    let place_told = format!("{}=,{:.1}mm", card.card, card.s_mm);
    let record = measured(place.path(), &["--look", "--card-at", &place_told]);
    // What is said of the edges has to hold; at the seam it would be a binding's width off.
    let edges = record.edges.unwrap();
    let [top, bottom] = [SIDES[0], SIDES[1]].map(|side| edge_line(&truth.scene, side).unwrap());
    let at = |row: u32, x: f64| truth.row(row).unwrap().stitched.s_at(x);
    for m in &edges.above_first {
        let set = at(1, m.x_mm) - top.0 - top.1 * m.x_mm;
        assert!((m.value - set).abs() < 3.0 * m.u, "{m:?} {set}");
    }
    for m in &edges.below_last {
        let set = bottom.0 + bottom.1 * m.x_mm - at(5, m.x_mm);
        assert!((m.value - set).abs() < 3.0 * m.u, "{m:?} {set}");
    }
    let from_edge = record.drift_from_edge.unwrap();
    assert_eq!(from_edge.told_by, ToldBy::Cards);
    let s = |row: u32| truth.row(row).unwrap().stitched.s_at(0.0);
    for row in &from_edge.rows {
        let quilt = &truth.scene.quilt;
        let planned = 140.0 + f64::from(row.row - 1) * 130.0;
        let set = s(row.row) - planned * (1.0 + quilt.stretch_y);
        let off = row.centre.value - set;
        assert!(off.abs() < 3.0 * row.centre.u, "{row:?} {set}");
    }
}
