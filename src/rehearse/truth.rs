//! What is true of a practice photo: the numbers set, and the same numbers as stitched.
//!
//! The hand's wobble does not average to nought over the length seen, so a row *as stitched* lies a
//! little off where it was *set*: least squares of the straying along the line's normals, every
//! stitch in view with the same weight. Measured values are to be held against `stitched`.

use super::render::Stage;
use super::scene::{Row, Scene, WrongTurn};
use super::stitching::{Stitch, baseline, stitch_row};
use crate::card::geometry::CardId;
use crate::design::Design;
use crate::geometry::Point2;
use crate::record::{At, Stretch};
use crate::solve::median::median;
use image::RgbImage;
use nalgebra::{Matrix4, Vector4};
use serde::{Deserialize, Serialize};

/// The truth of one practice photo. Fabric frame: x from the quilt's centre line, s down the quilt
/// along the cloth, mm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// What was drawn.
    pub scene: Scene,
    /// Width and height of the picture, px.
    pub size_px: [u32; 2],
    /// Focal length, px.
    pub focal_px: f64,
    /// Principal point, px.
    pub principal_px: Point2,
    /// Fabric point in the middle of the picture.
    pub view_middle_mm: Point2,
    /// Rows with stitching in view, top to bottom.
    pub rows: Vec<RowTruth>,
    /// Gaps between neighbouring rows in view.
    pub gaps: Vec<GapTruth>,
    /// Cards, as in the scene.
    pub cards: Vec<CardTruth>,
    /// Fabric points and where they are seen, over the cloth in view.
    pub places: Vec<Place>,
}

/// A baseline as numbers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BaselineTruth {
    /// s at x = 0.
    pub offset_mm: f64,
    /// Slope, mm/m, of the chord over the width seen.
    pub slope_mm_per_m: f64,
    /// Sagitta over the width seen; positive when the middle lies further down.
    pub bow_mm: f64,
    /// Shift of the design along x against the plan, where x = 0.
    pub shift_mm: f64,
    /// s = c₀ + c₁·x + c₂·x².
    pub polynomial: [f64; 3],
}

impl BaselineTruth {
    /// s of the baseline at x.
    pub fn s_at(&self, x_mm: f64) -> f64 {
        let [a, b, c] = self.polynomial;
        a + x_mm * (b + x_mm * c)
    }
}

/// A row in view.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RowTruth {
    /// Row number.
    pub row: u32,
    /// Left end of its stitching in view.
    pub seen_from_mm: f64,
    /// Right end of its stitching in view.
    pub seen_to_mm: f64,
    /// Share of the design between those ends that is in view: not cut off, hidden or missed.
    pub share_in_view: f64,
    /// Stitched length in view, mm.
    pub length_in_view_mm: f64,
    /// As chosen.
    pub set: BaselineTruth,
    /// As stitched over what is in view.
    pub stitched: BaselineTruth,
    /// RMS of what is left of the straying, along the normals.
    pub wobble_mm: f64,
    /// Parts not stitched.
    pub missed: Vec<Stretch>,
    /// Length of line that would be in view in each of these, mm.
    #[serde(default)]
    pub missed_line_mm: Vec<f64>,
    /// Parts stitched off the design, in view. They take no part in `stitched` and `wobble_mm`.
    #[serde(default)]
    pub wrong_turns: Vec<WrongTurn>,
    /// Contrast of the line against its flanks in luma, divided by the standard deviation of the cloth's luma
    /// beside it.
    #[serde(default)]
    pub line_to_texture: f64,
    /// Contrast of the line in the picture against that of places where there is no line; a person
    /// sees it from about 1.5 (tried on these pictures).
    pub contrast: f64,
    /// Whether a person can make it out.
    pub readable: bool,
}

/// Spacing at one place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SpacingTruth {
    /// Where of the width that both rows are seen over.
    pub at: At,
    /// x.
    pub x_mm: f64,
    /// As chosen.
    pub set_mm: f64,
    /// As stitched.
    pub stitched_mm: f64,
}

/// A gap between two neighbouring rows in view.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GapTruth {
    /// Row above.
    pub from_row: u32,
    /// Row below.
    pub to_row: u32,
    /// At left, centre and right.
    pub spacing: Vec<SpacingTruth>,
    /// Slope of the lower row against the upper over the width both are seen, as stitched.
    pub skew_mm_per_m: f64,
    /// Bow of the lower row against the upper over that width, as stitched.
    pub bow_mm: f64,
    /// Shift of the lower row against the upper beyond the plan, as stitched.
    pub shift_mm: f64,
    /// Least distance between the two rows' stitching in view.
    pub clearance_mm: f64,
}

/// A card in the picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CardTruth {
    /// Which card.
    pub card: CardId,
    /// Corners of each tag, in the order of the card's places and corners.
    pub tags_px: Vec<[Point2; 4]>,
    /// Middles of the patches, in the card's order.
    pub patches_px: Vec<Point2>,
    /// Share of these points that are in the picture and not hidden.
    pub share_in_view: f64,
}

/// A fabric point and where it is seen.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// In the fabric frame.
    pub fabric_mm: Point2,
    /// In the picture.
    pub photo_px: Point2,
    /// Something lies over it.
    pub hidden: bool,
}

impl Truth {
    /// The row's truth, when it is in view.
    pub fn row(&self, row: u32) -> Option<&RowTruth> {
        self.rows.iter().find(|r| r.row == row)
    }

    /// True spacing, as stitched, of two rows in view at x.
    pub fn spacing_at(&self, from_row: u32, to_row: u32, x_mm: f64) -> Option<f64> {
        let s = |row| self.row(row).map(|r| r.stitched.s_at(x_mm));
        Some(s(to_row)? - s(from_row)?)
    }
}

/// Works out the truth of a scene that has been drawn.
pub fn truth(scene: &Scene, design: &Design, stage: &Stage, photo: &RgbImage) -> Truth {
    let camera = &stage.camera;
    let size_px = [camera.width_px, camera.height_px];
    let middle = Point2::new(f64::from(size_px[0]) / 2.0, f64::from(size_px[1]) / 2.0);
    let in_view: Vec<Vec<Stitch>> = stage
        .rows
        .iter()
        .map(|stitches| {
            stitches
                .iter()
                .filter(|stitch| is_seen(stage, stitch.middle()))
                .copied()
                .collect()
        })
        .collect();
    let mut rows = Vec::new();
    let mut sewn = Vec::new();
    for ((row, all), seen) in scene.rows.iter().zip(&stage.rows).zip(&in_view) {
        // Less than this is a scrap that nobody would call a row.
        if seen.len() >= 20 {
            rows.push(row_truth(scene, design, row, all, seen, stage, photo));
            sewn.push(seen);
        }
    }
    let gaps = rows
        .windows(2)
        .zip(sewn.windows(2))
        .filter(|(pair, _)| pair[1].row == pair[0].row + 1)
        .filter_map(|(pair, sewn)| gap_truth(&pair[0], &pair[1], sewn[0], sewn[1]))
        .collect();
    let cards = scene
        .cards
        .iter()
        .zip(&stage.cards)
        .map(|(laid, card)| {
            let px = |p: Point2| {
                let far = Point2::new(f64::NAN, f64::NAN);
                camera.project(&card.world(p)).unwrap_or(far)
            };
            let places = laid.card.tag_ids().len();
            let tags_px: Vec<[Point2; 4]> = (0..places)
                .map(|place| laid.card.tag_corners_mm(place).map(px))
                .collect();
            let patches_px: Vec<Point2> = laid.card.patches_mm().into_iter().map(px).collect();
            let all: Vec<&Point2> = tags_px.iter().flatten().chain(&patches_px).collect();
            let free = |p: &&&Point2| {
                camera.holds(***p, 0.0) && {
                    let ray = camera.ray(***p);
                    !stage.object_over(&ray)
                }
            };
            let seen = all.iter().filter(free).count();
            CardTruth {
                card: laid.card,
                share_in_view: seen as f64 / all.len() as f64,
                tags_px,
                patches_px,
            }
        })
        .collect();
    Truth {
        scene: scene.clone(),
        size_px,
        focal_px: camera.focal_px,
        principal_px: camera.principal_px,
        view_middle_mm: stage.fabric_at(middle).unwrap_or(Point2::new(
            scene.camera.target_x_mm,
            scene.camera.target_s_mm,
        )),
        rows,
        gaps,
        cards,
        places: places(stage),
    }
}

/// Whether a point of the fabric is in the picture with nothing over it.
fn is_seen(stage: &Stage, p: Point2) -> bool {
    stage.cloth.holds(p, 0.0)
        && stage
            .project(p)
            .is_some_and(|px| stage.camera.holds(px, 0.0) && !stage.hidden(px))
}

fn places(stage: &Stage) -> Vec<Place> {
    let camera = &stage.camera;
    let mut places = Vec::new();
    for j in 0..15 {
        for i in 0..20 {
            let photo_px = Point2::new(
                (f64::from(i) + 0.5) / 20.0 * f64::from(camera.width_px),
                (f64::from(j) + 0.5) / 15.0 * f64::from(camera.height_px),
            );
            if let Some(fabric_mm) = stage.fabric_at(photo_px)
                && stage.cloth.holds(fabric_mm, 0.0)
            {
                places.push(Place {
                    fabric_mm,
                    photo_px,
                    hidden: stage.hidden(photo_px),
                });
            }
        }
    }
    places
}

fn baseline_truth(polynomial: [f64; 3], from: f64, to: f64, shift_mm: f64) -> BaselineTruth {
    let [a, b, c] = polynomial;
    let (middle, half) = ((from + to) / 2.0, (to - from) / 2.0);
    BaselineTruth {
        offset_mm: a,
        slope_mm_per_m: 1000.0 * (b + 2.0 * c * middle),
        bow_mm: -c * half * half,
        shift_mm,
        polynomial,
    }
}

fn row_truth(
    scene: &Scene,
    design: &Design,
    row: &Row,
    all: &[Stitch],
    seen: &[Stitch],
    stage: &Stage,
    photo: &RgbImage,
) -> RowTruth {
    let xs = seen.iter().map(|s| s.middle().x);
    let seen_from_mm = xs.clone().fold(f64::MAX, f64::min);
    let seen_to_mm = xs.fold(f64::MIN, f64::max);
    let half = scene.quilt.width_mm / 2.0;
    let set = [
        baseline(row, scene.quilt.width_mm, 0.0),
        row.slope_mm_per_m / 1000.0,
        -row.bow_mm / (half * half),
    ];
    // Straying along the normal: n·(shift, d₀ + d₁·u + d₂·u²) with u about the middle, for a well
    // conditioned system.
    let (middle, unit) = (
        (seen_from_mm + seen_to_mm) / 2.0,
        ((seen_to_mm - seen_from_mm) / 2.0).max(1.0),
    );
    let (mut normal, mut right) = (Matrix4::<f64>::zeros(), Vector4::<f64>::zeros());
    let columns = |s: &Stitch| {
        let u = (s.middle().x - middle) / unit;
        Vector4::new(s.normal.x, s.normal.y, s.normal.y * u, s.normal.y * u * u)
    };
    let on_design = || seen.iter().filter(|s| s.off_design_mm.abs() < 0.1);
    for stitch in on_design() {
        let a = columns(stitch);
        normal += a * a.transpose();
        right += a * stitch.normal.dot(&stitch.stray);
    }
    let fit = normal
        .cholesky()
        .map_or(Vector4::zeros(), |c| c.solve(&right));
    let left_over: f64 = on_design()
        .map(|s| (s.normal.dot(&s.stray) - columns(s).dot(&fit)).powi(2))
        .sum();
    // Back from u to x.
    let (d0, d1, d2) = (fit[1], fit[2] / unit, fit[3] / (unit * unit));
    let stitched = [
        set[0] + d0 - d1 * middle + d2 * middle * middle,
        set[1] + d1 - 2.0 * d2 * middle,
        set[2] + d2,
    ];
    let length =
        |stitches: &[Stitch]| -> f64 { stitches.iter().map(|s| (s.to - s.from).norm()).sum() };
    let missed: Vec<Stretch> = row
        .missed
        .iter()
        .filter(|m| m[1] > seen_from_mm && m[0] < seen_to_mm)
        .map(|m| Stretch {
            from_mm: m[0],
            to_mm: m[1],
        })
        .collect();
    // As if nothing had been missed.
    let whole_row = Row {
        missed: Vec::new(),
        ..row.clone()
    };
    let unbroken = if missed.is_empty() {
        Vec::new()
    } else {
        stitch_row(scene, design, &whole_row)
    };
    let missed_line_mm = missed
        .iter()
        .map(|m| {
            unbroken
                .iter()
                .filter(|s| (m.from_mm..=m.to_mm).contains(&s.middle().x))
                .filter(|s| is_seen(stage, s.middle()))
                .map(|s| (s.to - s.from).norm())
                .sum()
        })
        .collect();
    let between: Vec<Stitch> = all
        .iter()
        .filter(|s| (seen_from_mm..=seen_to_mm).contains(&s.middle().x))
        .copied()
        .collect();
    let missed_mm: f64 = missed
        .iter()
        .map(|m| m.to_mm.min(seen_to_mm) - m.from_mm.max(seen_from_mm))
        .sum();
    let curve_length: f64 = design
        .curve_mm
        .windows(2)
        .map(|p| (p[1] - p[0]).norm())
        .sum();
    let whole = length(&between) + missed_mm * curve_length / design.repeat_mm;
    let contrast = contrast(stage, photo, seen);
    let wrong_turns = row
        .wrong_turns
        .iter()
        .filter(|t| t.to_mm > seen_from_mm && t.from_mm < seen_to_mm)
        .copied()
        .collect();
    RowTruth {
        row: row.row,
        seen_from_mm,
        seen_to_mm,
        share_in_view: (length(seen) / whole.max(1e-9)).min(1.0),
        length_in_view_mm: length(seen),
        set: baseline_truth(set, seen_from_mm, seen_to_mm, row.shift_mm),
        stitched: baseline_truth(stitched, seen_from_mm, seen_to_mm, row.shift_mm + fit[0]),
        wobble_mm: (left_over / on_design().count().max(1) as f64).sqrt(),
        missed,
        missed_line_mm,
        wrong_turns,
        line_to_texture: line_to_texture(stage, photo, seen),
        contrast,
        readable: contrast >= READABLE,
    }
}

/// Luma (ITU-R BT.601) of the picture where it shows a place of the cloth.
fn luma_at(stage: &Stage, photo: &RgbImage, p: Point2) -> Option<f64> {
    let px = stage.project(p)?;
    if !stage.cloth.holds(p, 0.0) || !stage.camera.holds(px, 1.0) || stage.hidden(px) {
        return None;
    }
    let p = photo.get_pixel(px.x as u32, px.y as u32).0;
    Some(0.299 * f64::from(p[0]) + 0.587 * f64::from(p[1]) + 0.114 * f64::from(p[2]))
}

/// Contrast of the line against its flanks, as a share of the texture's standard deviation.
///
/// For stretches of 12 stitches, 29 mm of line: the mean luma over the middle half millimetre less that of both
/// flanks 2.5 mm away. Its RMS over the stretches, less (in squares) that of the same on a line moved aside,
/// is the line's contrast. The texture's standard deviation is that of single pixels of the cloth, 5 to 8 mm
/// beside the line, about their mean over the same stretch.
fn line_to_texture(stage: &Stage, photo: &RgbImage, seen: &[Stitch]) -> f64 {
    let luma = |p: Point2| luma_at(stage, photo, p);
    let mean = |places: &mut dyn Iterator<Item = Point2>| -> Option<f64> {
        let values = places.map(luma).collect::<Option<Vec<f64>>>()?;
        Some(values.iter().sum::<f64>() / values.len() as f64)
    };
    let squares = |aside_mm: f64| -> Vec<f64> {
        seen.chunks_exact(12)
            .step_by(2)
            .filter_map(|stretch| {
                let line = |at: &'static [f64]| {
                    stretch.iter().flat_map(move |s| {
                        at.iter()
                            .map(move |k| s.middle() + s.normal * (aside_mm + k))
                    })
                };
                let on = mean(&mut line(&[-0.25, 0.0, 0.25]))?;
                let beside = mean(&mut line(&[-2.75, -2.5, -2.25, 2.25, 2.5, 2.75]))?;
                Some((on - beside).powi(2))
            })
            .collect()
    };
    let mean_of = |v: &[f64]| v.iter().sum::<f64>() / v.len().max(1) as f64;
    let texture: Vec<f64> = seen
        .chunks_exact(12)
        .step_by(2)
        .filter_map(|stretch| {
            let values: Vec<f64> = stretch
                .iter()
                .flat_map(|s| {
                    [-8.0, -6.5, -5.0, 5.0, 6.5, 8.0]
                        .into_iter()
                        .filter_map(|k| luma(s.middle() + s.normal * k))
                })
                .collect();
            let mean = mean_of(&values);
            (values.len() >= 36).then(|| {
                mean_of(
                    &values
                        .iter()
                        .map(|v| (v - mean).powi(2))
                        .collect::<Vec<_>>(),
                )
            })
        })
        .collect();
    let line = mean_of(&squares(0.0)) - 0.5 * (mean_of(&squares(6.5)) + mean_of(&squares(-6.5)));
    (line.max(0.0) / mean_of(&texture).max(0.25)).sqrt()
}

/// From this contrast on a person makes out the line; tried by eye on these pictures.
const READABLE: f64 = 1.5;

/// How much more the picture changes across the line than across the same line laid elsewhere.
///
/// For stretches of 12 stitches: the mean brightness profile across the line from −2.5 to 2.5 mm, less its
/// straight trend; its RMS, the median over the stretches, divided by the least of
/// the same for the line moved aside.
fn contrast(stage: &Stage, photo: &RgbImage, seen: &[Stitch]) -> f64 {
    const ACROSS: i32 = 10;
    let energy = |aside: crate::geometry::Vector2| -> Option<f64> {
        let mut energies = Vec::new();
        // Every fourth stretch is plenty.
        for stretch in seen.chunks_exact(12).step_by(3) {
            let mut profile = Vec::with_capacity(2 * ACROSS as usize + 1);
            for k in -ACROSS..=ACROSS {
                let mut mean = 0.0;
                for stitch in stretch {
                    let p = stitch.middle() + aside + stitch.normal * (f64::from(k) * 0.25);
                    mean += luma_at(stage, photo, p).unwrap_or(f64::NAN) / 12.0;
                }
                profile.push(mean);
            }
            if profile.iter().any(|v| v.is_nan()) {
                continue;
            }
            let n = profile.len() as f64;
            let mean = profile.iter().sum::<f64>() / n;
            let at = |i: usize| i as f64 - (n - 1.0) / 2.0;
            let trend = profile
                .iter()
                .enumerate()
                .map(|(i, v)| at(i) * (v - mean))
                .sum::<f64>()
                / profile
                    .iter()
                    .enumerate()
                    .map(|(i, _)| at(i).powi(2))
                    .sum::<f64>();
            let left_over = profile
                .iter()
                .enumerate()
                .map(|(i, v)| (v - mean - trend * at(i)).powi(2));
            energies.push(left_over.sum::<f64>() / n);
        }
        // The median: seams and motifs belong to few stretches.
        median(energies, f64::total_cmp)
    };
    let Some(on) = energy(crate::geometry::Vector2::zeros()) else {
        return 0.0;
    };
    let off: Vec<f64> = [(23.0, 9.0), (-31.0, 14.0), (17.0, -18.0), (-12.0, -27.0)]
        .iter()
        .filter_map(|(x, y)| energy(crate::geometry::Vector2::new(*x, *y)))
        .collect();
    // The quietest, because the moved line may run along another part of the stitching. Half a grey
    // level squared keeps a flawless picture from dividing by nought.
    let quiet = off.into_iter().reduce(f64::min).unwrap_or(0.0);
    (on / quiet.max(0.25)).sqrt()
}

fn gap_truth(upper: &RowTruth, lower: &RowTruth, a: &[Stitch], b: &[Stitch]) -> Option<GapTruth> {
    let from = upper.seen_from_mm.max(lower.seen_from_mm);
    let to = upper.seen_to_mm.min(lower.seen_to_mm);
    if to <= from {
        return None;
    }
    let spacing = [
        (At::Left, from),
        (At::Centre, (from + to) / 2.0),
        (At::Right, to),
    ]
    .map(|(at, x_mm)| SpacingTruth {
        at,
        x_mm,
        set_mm: lower.set.s_at(x_mm) - upper.set.s_at(x_mm),
        stitched_mm: lower.stitched.s_at(x_mm) - upper.stitched.s_at(x_mm),
    })
    .to_vec();
    let difference: [f64; 3] =
        std::array::from_fn(|i| lower.stitched.polynomial[i] - upper.stitched.polynomial[i]);
    let relative = baseline_truth(difference, from, to, 0.0);
    Some(GapTruth {
        from_row: upper.row,
        to_row: lower.row,
        spacing,
        skew_mm_per_m: relative.slope_mm_per_m,
        bow_mm: relative.bow_mm,
        shift_mm: lower.stitched.shift_mm - upper.stitched.shift_mm,
        clearance_mm: clearance(a, b),
    })
}

/// Least distance between stitches of two rows; negative is not known here, rows that cross give 0.
fn clearance(a: &[Stitch], b: &[Stitch]) -> f64 {
    // Only the lower half of the upper row and the upper half of the lower row can be near.
    let mut sorted: Vec<Point2> = b.iter().map(Stitch::middle).collect();
    sorted.sort_by(|p, q| p.x.total_cmp(&q.x));
    let mut best = f64::MAX;
    for p in a.iter().map(Stitch::middle) {
        let start = sorted.partition_point(|q| q.x < p.x - best.min(300.0));
        for q in &sorted[start..] {
            if q.x > p.x + best.min(300.0) {
                break;
            }
            best = best.min((p - q).norm());
        }
    }
    best
}
