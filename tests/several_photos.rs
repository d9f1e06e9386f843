//! Several photos of one row, linked by the cards they share, are one measurement. Truth from the drawing of
//! the practice photos, which shares no geometry with the measuring.

use rowsight::calibrate::profile::{CameraKey, FORMAT, LensValues, Profile, Quality};
use rowsight::check::{Check, Known, check};
use rowsight::geometry::{Point2, homography::Homography};
use rowsight::photo::{self, Photo};
use rowsight::plan::{Plan, Tolerance};
use rowsight::record::{Action, At, XOrigin};
use rowsight::rehearse::{
    CameraHeld, Rehearsed, Scene, SceneRange, Seeded, Truth, render, trial_design,
};
use rowsight::units::LengthUnit;
use std::path::Path;

fn plan_of(scene: &Scene) -> Plan {
    Plan {
        unit: LengthUnit::Millimetre,
        width_mm: scene.quilt.width_mm,
        length_mm: scene.quilt.length_mm,
        design_file: String::new(),
        repeat_mm: trial_design().repeat_mm,
        spacing_mm: scene.quilt.spacing_mm,
        stagger: scene.quilt.stagger,
        rows: 40,
        first_row_mm: 90.0,
        card_bar_mm: scene.cards[0].bar_mm,
        tolerance: Tolerance::default(),
        roll: Default::default(),
        earlier: Vec::new(),
    }
}

fn decoded(drawn: &Rehearsed, name: &str) -> Photo {
    photo::decode(drawn.jpeg().unwrap(), Path::new(name)).unwrap()
}

fn checked(photos: &[Photo], scene: &Scene, known: &Known) -> Check {
    let newest = scene.rows.last().unwrap().row;
    check(
        photos,
        &plan_of(scene),
        Some(&trial_design()),
        known,
        Some(newest),
    )
    .unwrap()
}

/// A scene of which `shoot` takes photos about its middle.
fn small_scene() -> Scene {
    Scene::random(21, &SceneRange::easy().with_megapixels(3.0))
}

/// A photo left of the middle of one scene and one right of that of another.
fn left_and_right(left: &Scene, right: &Scene) -> ([Rehearsed; 2], [Photo; 2]) {
    let drawn = [(left, -140.0, 6.0), (right, 140.0, 12.0)].map(|(scene, by_mm, tilt_deg)| {
        let mut scene = scene.clone();
        scene.camera.target_x_mm += by_mm;
        scene.camera.tilt_deg = tilt_deg;
        render(&scene, &trial_design())
    });
    let photos = [
        decoded(&drawn[0], "left.jpg"),
        decoded(&drawn[1], "right.jpg"),
    ];
    (drawn, photos)
}

fn shoot(scene: &Scene, by_mm: f64, tilt_deg: f64, name: &str) -> Photo {
    let mut scene = scene.clone();
    scene.camera.target_x_mm += by_mm;
    scene.camera.tilt_deg = tilt_deg;
    decoded(&render(&scene, &trial_design()), name)
}

#[test]
fn two_linked_photos_see_more_of_the_row_than_one() {
    let scene = small_scene();
    let photos = [
        shoot(&scene, -140.0, 6.0, "left.jpg"),
        shoot(&scene, 140.0, 12.0, "right.jpg"),
    ];
    let seen = |photos: &[Photo]| {
        let record = checked(photos, &scene, &Known::default()).record;
        let row = record.rows.last().unwrap().clone();
        (row.seen_to_mm - row.seen_from_mm, record)
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

#[test]
fn a_photo_without_a_shared_card_is_left_out_with_the_reason_and_the_rest_measured() {
    let scene = small_scene();
    let mut other = scene.clone();
    other.cards[0].card = rowsight::card::geometry::CardId::Sheet(20);
    assert_ne!(scene.cards[0].card, other.cards[0].card);
    // Another quilt, stitched by the same hand to the same plan.
    other.quilt.seed += 1;
    let photos = [
        shoot(&other, 0.0, 4.0, "astray.jpg"),
        shoot(&scene, -100.0, 6.0, "left.jpg"),
        shoot(&scene, 100.0, 12.0, "right.jpg"),
    ];
    let checked = checked(&photos, &scene, &Known::default());
    assert_eq!(checked.used, [1, 2]);
    assert_eq!(checked.record.photos.len(), 2);
    assert_eq!(checked.left_out.len(), 1);
    let said = &checked.left_out[0];
    assert!(
        said.what.contains("astray.jpg") && said.what.contains("shares no card"),
        "{said:?}"
    );
    assert!(said.remedy.contains("overlap"), "{said:?}");
    let reasons = checked.record.verdict.reasons.join(" ");
    assert!(reasons.contains("astray.jpg"), "{reasons}");
}

#[test]
fn photos_without_a_shared_card_are_joined_by_the_wobble_of_rows_seen_in_both() {
    let scene = small_scene();
    let mut right = scene.clone();
    right.cards[0].card = rowsight::card::geometry::CardId::Sheet(20);
    right.cards[0].s_mm += 15.0;
    let (drawn, photos) = left_and_right(&scene, &right);
    let checked = checked(&photos, &scene, &Known::default());
    assert_eq!(checked.used.len(), 2, "{:?}", checked.left_out);
    assert_eq!(checked.record.photos.len(), 2);
    // What the measurement says is one place has to be one place of the cloth in both photos: a repeat off
    // would show.
    let row = checked.drawn.rows.last().unwrap();
    let place = row.baseline_mm[row.baseline_mm.len() / 2];
    let [a, b] = [0, 1].map(|i| {
        let px = checked.drawn.to_photo(i, place).unwrap();
        on_fabric(&drawn[checked.used[i]].truth, px)
    });
    assert!((a - b).norm() < 3.0, "{a} in one, {b} in the other");
    let gap = checked.record.gaps.last().unwrap();
    let truth = &drawn[checked.used[0]].truth;
    let spacing = truth.spacing_at(gap.from_row, gap.to_row, a.x).unwrap();
    let centre = gap.spacing[1];
    assert!(
        (centre.value - spacing).abs() < 4.0 * centre.u,
        "{} ± {} against {spacing}",
        centre.value,
        centre.u
    );
}

#[test]
fn a_card_pushed_between_two_photos_leaves_the_gaps_right() {
    let scene = small_scene();
    let mut pushed = scene.clone();
    pushed.cards[0].s_mm += 1.2;
    pushed.cards[0].x_mm -= 0.8;
    pushed.cards[0].angle_deg += 0.1;
    let (drawn, photos) = left_and_right(&scene, &pushed);
    let checked = checked(&photos, &scene, &Known::default());
    let truth = &drawn[0].truth;
    for gap in &checked.record.gaps {
        for place in &gap.spacing {
            let row = checked
                .drawn
                .rows
                .iter()
                .find(|r| r.number == gap.to_row)
                .unwrap();
            let near = row
                .baseline_mm
                .iter()
                .min_by(|a, b| {
                    (a.x - place.x_mm)
                        .abs()
                        .total_cmp(&(b.x - place.x_mm).abs())
                })
                .unwrap();
            let photo = usize::from(place.x_mm > 0.0);
            let px = checked.drawn.to_photo(photo, *near).unwrap();
            let x = on_fabric(&drawn[photo].truth, px).x;
            let spacing = truth.spacing_at(gap.from_row, gap.to_row, x).unwrap();
            assert!((place.value - spacing).abs() < 4.0 * place.u);
        }
    }
}

/// The same rows by another hand: a card moved down with the quilt's advance makes photos of different rows look so.
#[test]
fn photos_of_different_rows_under_one_card_are_told() {
    let scene = small_scene();
    let mut other = scene.clone();
    other.quilt.seed += 1;
    let mut rolled = scene.clone();
    for row in &mut rolled.rows {
        row.offset_mm += 25.0;
        row.shift_mm += 60.0;
    }
    let clashes = |right: &Scene| {
        let (_, photos) = left_and_right(&scene, right);
        let checked = checked(&photos, &scene, &Known::default());
        let said =
            |w: &rowsight::verdict::Warning| w.what.contains("do not show the same stitching");
        let clashes = checked.warnings.iter().any(said);
        assert_eq!(clashes, checked.record.verdict.action == Action::Retake);
        clashes
    };
    assert!(!clashes(&scene), "one row");
    assert!(clashes(&other), "rows of another hand in the same place");
    assert!(clashes(&rolled), "rows elsewhere");
}

#[test]
fn a_card_with_a_known_place_settles_where_x_counts_from() {
    let scene = small_scene();
    let photos = [shoot(&scene, 0.0, 6.0, "row.jpg")];
    let card = &scene.cards[0];
    let known = Known {
        card_at: vec![(card.card, card.x_mm)],
        ..Known::default()
    };
    let checked = checked(&photos, &scene, &known);
    let row = checked.record.rows.last().unwrap();
    assert_eq!(row.x_origin, XOrigin::Quilt);
    let truth = render(&scene, &trial_design()).truth;
    let drawn = checked.drawn.rows.last().unwrap();
    let place = drawn.baseline_mm[drawn.baseline_mm.len() / 3];
    let px = checked.drawn.to_photo(0, place).unwrap();
    let on_cloth = on_fabric(&truth, px);
    assert!((place.x - on_cloth.x).abs() < 4.0, "{place} {on_cloth}");
    // A card that is not there is named.
    let known = Known {
        card_at: vec![(rowsight::card::geometry::CardId::Strip(60), 0.0)],
        ..Known::default()
    };
    let warned = checked_with(&photos, &scene, &known);
    assert!(
        warned
            .iter()
            .any(|w| w.contains("Strip 60 is not in the photo")),
        "{warned:?}"
    );
}

fn checked_with(photos: &[Photo], scene: &Scene, known: &Known) -> Vec<String> {
    let warnings = checked(photos, scene, known).warnings;
    warnings.into_iter().map(|w| w.what).collect()
}

/// A point of a photo on the cloth, by the nearest places known.
fn on_fabric(truth: &Truth, px: Point2) -> Point2 {
    let mut near: Vec<_> = truth.places.iter().collect();
    near.sort_by(|a, b| {
        (a.photo_px - px)
            .norm()
            .total_cmp(&(b.photo_px - px).norm())
    });
    let (a, b): (Vec<_>, Vec<_>) = near
        .iter()
        .take(9)
        .map(|p| (p.photo_px, p.fabric_mm))
        .unzip();
    Homography::from_points(&a, &b).unwrap().apply(px)
}

#[test]
fn the_part_of_the_row_that_is_told_settles_where_x_counts_from() {
    let scene = small_scene();
    let photos = [shoot(&scene, 0.0, 6.0, "row.jpg")];
    let half = scene.quilt.width_mm / 2.0;
    let told = |at| {
        let known = Known {
            at: Some(at),
            ..Known::default()
        };
        let record = checked(&photos, &scene, &known).record;
        assert!(record.rows.iter().all(|r| r.x_origin == XOrigin::Quilt));
        record.rows
    };
    let least = |rows: &[rowsight::record::RowRecord]| {
        rows.iter().map(|r| r.seen_from_mm).fold(f64::MAX, f64::min)
    };
    assert!((least(&told(At::Left)) + half).abs() < 1e-6);
    // The right-hand side is in view here: there the end counts on which two rows agree to 25 mm.
    let rows_ending_at = |rows: &[rowsight::record::RowRecord], x_mm: f64| {
        rows.iter()
            .filter(|r| (r.seen_to_mm - x_mm).abs() < 25.0)
            .count()
    };
    assert!(rows_ending_at(&told(At::Right), half) >= 2);
    let centre = told(At::Centre);
    assert!(rows_ending_at(&centre, -least(&centre)) >= 2);
}

/// What three-photo rows are drawn from: a strong lens, cards laid carelessly, easy cloth and hand.
fn wide_range() -> SceneRange {
    SceneRange {
        k1: [-0.3, 0.1],
        tilt_deg: [0.0, 20.0],
        roll_deg: 5.0,
        off_centre: 0.01,
        card_rock_deg: 1.5,
        sag_mm: [0.0, 8.0],
        sag_across_mm: [0.0, 2.0],
        ..SceneRange::easy()
    }
}

fn wide_scene(seed: u64, megapixels: f64) -> Vec<Scene> {
    let range = wide_range().with_megapixels(megapixels);
    let mut scene = Scene::random(seed, &range);
    scene.quilt.width_mm = 2400.0;
    scene.several(3, &range)
}

/// The true lens, off by what a calibration leaves.
fn calibrated(drawn: &Rehearsed, photo: &Photo, seed: u64) -> Profile {
    let truth = &drawn.truth;
    let mut rng = Seeded::new(seed);
    let u = [1.0, 1.0, 1.0, 1.0, 2e-3, 0.0, 0.0, 0.0, 0.0];
    let camera = &truth.scene.camera;
    let [f_error, cx_error, cy_error, k1_error] =
        [u[0], u[2], u[3], u[4]].map(|u| u * rng.normal());
    let mut covariance = [[0.0; 9]; 9];
    for (i, u) in u.iter().enumerate() {
        covariance[i][i] = u * u;
    }
    // One focal length for both axes.
    (covariance[0][1], covariance[1][0]) = (1.0, 1.0);
    Profile {
        format: FORMAT.to_owned(),
        name: "practice".to_owned(),
        camera: CameraKey::of_photo(&photo.facts, photo.luma.dimensions()),
        quality: Quality {
            made: jiff::civil::date(2024, 5, 17),
            photos: 15,
            corners: 1200,
            residual_px: 0.05,
            flat_px: 0.2,
        },
        lens: LensValues {
            fx_px: truth.focal_px + f_error,
            fy_px: truth.focal_px + f_error,
            cx_px: truth.principal_px.x + cx_error,
            cy_px: truth.principal_px.y + cy_error,
            k1: camera.k1 + k1_error,
            k2: camera.k2,
            k3: 0.0,
            p1: 0.0,
            p2: 0.0,
            covariance,
        },
    }
}

/// Truth over the whole width: the same rows as a camera high above would see them, nothing in the way.
fn overview(scene: &Scene) -> Truth {
    let mut scene = scene.clone();
    scene.cards.clear();
    scene.objects.clear();
    scene.camera = CameraHeld {
        megapixels: 0.3,
        target_x_mm: 0.0,
        target_s_mm: scene.band.middle_s_mm,
        tilt_deg: 0.0,
        ..CameraHeld::default()
    };
    let (width_px, _) = scene.camera.size_px();
    scene.camera.mm_per_px = (scene.quilt.width_mm + 300.0) / f64::from(width_px);
    render(&scene, &trial_design()).truth
}

#[derive(Default)]
struct Tally {
    /// Error and u of spacings at left, centre, right.
    spacing: [Vec<(f64, f64)>; 3],
    /// The same of slopes over the width.
    slope: Vec<(f64, f64)>,
    of_quilt: usize,
    refused: usize,
}

impl Tally {
    fn add(&mut self, photos: &[Photo], truth: &Truth, known: &Known) -> String {
        let scene = &truth.scene;
        let newest = scene.rows.last().unwrap().row;
        let checked = match check(
            photos,
            &plan_of(scene),
            Some(&trial_design()),
            known,
            Some(newest),
        ) {
            Ok(checked) => checked,
            Err(error) => {
                self.refused += 1;
                return error.to_string();
            }
        };
        let record = &checked.record;
        self.of_quilt += usize::from(record.rows[0].x_origin == XOrigin::Quilt);
        let mut said = format!(
            "{} photos, {:?}",
            record.photos.len(),
            record.rows[0].x_origin
        );
        for gap in &record.gaps {
            let truth = |x: f64| truth.spacing_at(gap.from_row, gap.to_row, x).unwrap();
            for (tally, place) in self.spacing.iter_mut().zip(&gap.spacing) {
                tally.push((place.value - truth(place.x_mm), place.u));
                said += &format!(" {:+.2}±{:.2}", place.value - truth(place.x_mm), place.u);
            }
            let ends = [gap.spacing[0].x_mm, gap.spacing[2].x_mm];
            let slope = 1000.0 * (truth(ends[1]) - truth(ends[0])) / (ends[1] - ends[0]);
            self.slope
                .push((gap.skew_mm_per_m.value - slope, gap.skew_mm_per_m.u));
            said += &format!(" over {:.0};", ends[1] - ends[0]);
        }
        said
    }

    fn line(&self) -> String {
        let rms = |v: &[(f64, f64)]| {
            (v.iter().map(|(e, _)| e * e).sum::<f64>() / v.len().max(1) as f64).sqrt()
        };
        let all: Vec<(f64, f64)> = self.spacing.concat();
        let held = all.iter().filter(|(e, u)| e.abs() <= 1.96 * u).count();
        format!(
            "{} gaps, {} refused, x from the quilt in {}; spacing RMS {:.2} / {:.2} / {:.2} mm at left, \
             centre, right; slope RMS {:.2} mm/m; {:.1} % of 95 % intervals hold",
            self.slope.len(),
            self.refused,
            self.of_quilt,
            rms(&self.spacing[0]),
            rms(&self.spacing[1]),
            rms(&self.spacing[2]),
            rms(&self.slope),
            100.0 * held as f64 / all.len().max(1) as f64
        )
    }
}

/// `FROM=0 TO=8 MP=4 cargo test --test several_photos -- --ignored --nocapture wide`
///
/// Truth is each baseline as stitched over the whole width.
#[test]
#[ignore = "draws 24 photos: a few minutes"]
fn wide_rows_in_three_photos_are_measured_from_side_to_side() {
    let of = |name: &str, default: f64| {
        let value = std::env::var(name).ok();
        value.and_then(|v| v.parse().ok()).unwrap_or(default)
    };
    let (mut with, mut without) = (Tally::default(), Tally::default());
    for seed in of("FROM", 0.0) as u64..of("TO", 8.0) as u64 {
        let scenes = wide_scene(seed, of("MP", 4.0));
        let drawn: Vec<Rehearsed> = scenes.iter().map(|s| render(s, &trial_design())).collect();
        let photos: Vec<Photo> = drawn
            .iter()
            .zip(["left.jpg", "centre.jpg", "right.jpg"])
            .map(|(drawn, name)| decoded(drawn, name))
            .collect();
        // One profile for the three: it is one camera.
        let profile = calibrated(&drawn[0], &photos[0], seed);
        let known = Known {
            cameras: vec![Some(profile); 3],
            ..Known::default()
        };
        let k1 = scenes[0].camera.k1;
        let mut truth = overview(&scenes[0]);
        truth.scene = scenes[0].clone();
        let a = with.add(&photos, &truth, &known);
        println!("seed {seed}, k1 {k1:+.2}, calibrated: {a}");
        let b = without.add(&photos, &truth, &Known::default());
        println!("seed {seed}, k1 {k1:+.2}, not calibrated: {b}");
    }
    println!("calibrated: {}", with.line());
    println!("not calibrated: {}", without.line());
    let all = with.spacing.concat();
    let held = all.iter().filter(|(e, u)| e.abs() <= 1.96 * u).count() as f64;
    // 95 stated; gaps of one scene hang together, 85 leaves room for chance.
    assert!(held >= 0.85 * all.len() as f64);
}
