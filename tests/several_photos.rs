//! Two photos of one row, linked by the cards both show, are one measurement.

use rowsight::check::{Known, check};
use rowsight::photo;
use rowsight::plan::{Plan, Tolerance};
use rowsight::rehearse::{Scene, SceneRange, render, trial_design};
use rowsight::units::LengthUnit;
use std::path::Path;

#[test]
fn two_linked_photos_see_more_of_the_row_than_one() {
    let design = trial_design();
    let range = SceneRange::easy().with_megapixels(3.0);
    let mut scene = Scene::random(21, &range);
    let x = scene.camera.target_x_mm;
    let mut shoot = |by_mm: f64, tilt_deg: f64| {
        scene.camera.target_x_mm = x + by_mm;
        scene.camera.tilt_deg = tilt_deg;
        let bytes = render(&scene, &design).jpeg().unwrap();
        photo::decode(bytes, Path::new("row.jpg")).unwrap()
    };
    let photos = [shoot(-140.0, 6.0), shoot(140.0, 12.0)];
    let newest = scene.rows.last().unwrap().row;
    let plan = Plan {
        unit: LengthUnit::Millimetre,
        width_mm: scene.quilt.width_mm,
        length_mm: scene.quilt.length_mm,
        design_file: String::new(),
        repeat_mm: design.repeat_mm,
        spacing_mm: scene.quilt.spacing_mm,
        stagger: scene.quilt.stagger,
        rows: 40,
        first_row_mm: 90.0,
        card_bar_mm: scene.cards[0].bar_mm,
        tolerance: Tolerance::default(),
        roll: Default::default(),
    };
    let seen = |photos: &[photo::Photo]| {
        let checked = check(photos, &plan, &design, &Known::default(), Some(newest)).unwrap();
        let row = checked.record.rows.last().unwrap().clone();
        (row.seen_to_mm - row.seen_from_mm, checked.record)
    };
    let (one, _) = seen(&photos[..1]);
    let (both, record) = seen(&photos);
    assert!(both > one + 150.0, "{both:.0} mm against {one:.0} mm");
    assert_eq!(record.photos.len(), 2);
    let set = scene.rows.iter().map(|r| r.offset_mm).collect::<Vec<_>>();
    let gap = record.gaps.last().unwrap();
    let true_gap = set[set.len() - 1] - set[set.len() - 2];
    let centre = gap.spacing[1];
    // As set, not as stitched, and at another x than the middle: a millimetre of room beside 4 u.
    assert!(
        (centre.value - true_gap).abs() < 4.0 * centre.u + 1.0,
        "{} ± {} against {true_gap}",
        centre.value,
        centre.u
    );
}
