//! A finished quilt off the frame, in one photo or in overlapping ones, with cards scattered over it.

use super::edges::QuiltEdges;
use super::fabric::ground;
use super::quilt::PracticeQuilt;
use super::random::Given;
use super::range::{Range, SceneRange};
use super::render::{Stage, render};
use super::scene::{Band, CameraHeld, CardOnQuilt, Relaxed, Scene};
use super::seeded::{Seeded, derive, short_seed};
use super::surface::Wave;
use super::truth::Truth;
use crate::card::geometry::CardId;
use crate::design::Design;
use crate::geometry::Point2;

/// Over what finished quilts range. Where no source is named: common practice, no source.
#[derive(Debug, Clone, PartialEq)]
pub struct FinishedRange {
    /// Cloth, thread, hand, lens and picture.
    pub scene: SceneRange,
    /// Relative change of the quilt's width and of its length by the quilting, once off the frame.
    pub shrink: Range,
    /// Half height of each of three long waves.
    pub hill_mm: Range,
    /// Their lengths.
    pub hill_length_mm: Range,
    /// Half height of one short wave, too short for any smooth surface to follow.
    pub pucker_mm: Range,
    /// Scale of a photo of the whole quilt; it grows until the quilt fits.
    pub mm_per_px: Range,
}

impl FinishedRange {
    /// Quilts on floors and walls, cards laid carelessly.
    pub fn new(scene: SceneRange) -> FinishedRange {
        FinishedRange {
            scene: SceneRange {
                tilt_deg: [0.0, 15.0],
                ..scene
            },
            shrink: [-0.03, 0.0],
            hill_mm: [0.3, 2.5],
            hill_length_mm: [350.0, 1000.0],
            pucker_mm: [0.1, 0.5],
            mm_per_px: [0.6, 0.8],
        }
    }
}

/// Floor or wall in view beyond the quilt's edge in overlapping photos, mm.
const BEYOND_MM: f64 = 90.0;
/// Overlap of neighbouring photos: a card at any angle with room around it, mm.
const OVERLAP_MM: f64 = 430.0;

/// The finished quilt in `photos` photos: all rows, cloth, light and cards the same in all of them, the camera
/// held anew for each, upright, on its side or upside down.
pub fn finished_quilt(
    practice: &PracticeQuilt,
    photos: u32,
    seed: u64,
    range: &FinishedRange,
) -> Vec<Scene> {
    let mut rng = Seeded::new(derive(seed, 71));
    let bare = relaxed_scene(practice, seed, range, &mut rng);
    if photos <= 1 {
        let mut scene = whole_view(&bare, range, &mut rng);
        let count = 4 + rng.below(4);
        let scenes = [scene.clone()];
        let at = |rng: &mut Seeded| {
            [
                rng.between(-0.45, 0.45) * scene.quilt.width_mm,
                rng.between(0.06, 0.94) * scene.quilt.length_mm,
            ]
        };
        let mut cards = Cards::new(range, &mut rng);
        for _ in 0..count {
            cards.lay(&scenes, &mut rng, at);
        }
        scene.cards = cards.laid;
        return vec![scene];
    }
    let mut scenes = overlapping_views(&bare, photos, range, &mut rng);
    let mut cards = Cards::new(range, &mut rng);
    for [i, j] in neighbours(&scenes) {
        let pair = [scenes[i].clone(), scenes[j].clone()];
        let middle =
            |f: fn(&CameraHeld) -> f64| f64::midpoint(f(&pair[0].camera), f(&pair[1].camera));
        let (x, s) = (middle(|c| c.target_x_mm), middle(|c| c.target_s_mm));
        cards.lay(&pair, &mut rng, |rng: &mut Seeded| {
            [
                x + rng.between(-160.0, 160.0),
                s + rng.between(-160.0, 160.0),
            ]
        });
    }
    for scene in &mut scenes {
        scene.cards.clone_from(&cards.laid);
    }
    scenes
}

/// Truth over the whole quilt: its rows as a camera high above would see them, nothing in the way.
pub fn whole_truth(scene: &Scene, design: &Design) -> Truth {
    let mut scene = scene.clone();
    scene.cards.clear();
    scene.objects.clear();
    scene.camera = CameraHeld {
        megapixels: 0.2,
        target_x_mm: 0.0,
        target_s_mm: scene.quilt.length_mm / 2.0,
        tilt_deg: 0.0,
        ..CameraHeld::default()
    };
    let (w, h) = scene.camera.size_px();
    let least = |mm: f64, px: u32| 1.1 * mm / f64::from(px);
    scene.camera.mm_per_px = least(scene.quilt.width_mm, w).max(least(scene.quilt.length_mm, h));
    render(&scene, design).truth
}

/// The quilt without cards and without a camera held at it.
fn relaxed_scene(
    practice: &PracticeQuilt,
    seed: u64,
    range: &FinishedRange,
    rng: &mut Seeded,
) -> Scene {
    let mut quilt = practice.quilt.clone();
    let mut shrink = || {
        let both = rng.between(range.shrink[0], range.shrink[1]);
        let apart = 0.2 * (range.shrink[1] - range.shrink[0]);
        [both, both + rng.between(-apart, apart)]
    };
    let [across, down] = shrink();
    quilt.stretch_x = across;
    quilt.stretch_y = down;
    quilt.width_mm *= 1.0 + across;
    quilt.length_mm *= 1.0 + down;
    let rows = practice
        .all_rows()
        .into_iter()
        .map(|mut row| {
            row.offset_mm *= 1.0 + down;
            row
        })
        .collect();
    let given = Given {
        quilt,
        rows,
        like: None,
    };
    // The cloth and the hand of the same quilt's photos row by row.
    let scene = Scene::of_quilt(short_seed(seed, 201), &range.scene, given);
    let mut waves: Vec<Wave> = (0..3)
        .map(|_| Wave {
            height_mm: rng.between(range.hill_mm[0], range.hill_mm[1]),
            length_mm: rng.between(range.hill_length_mm[0], range.hill_length_mm[1]),
            along_deg: rng.between(0.0, 180.0),
            phase_deg: rng.between(0.0, 360.0),
        })
        .collect();
    waves.push(Wave {
        height_mm: rng.between(range.pucker_mm[0], range.pucker_mm[1]),
        length_mm: rng.between(140.0, 260.0),
        along_deg: rng.between(0.0, 180.0),
        phase_deg: rng.between(0.0, 360.0),
    });
    // Numbers of their own, so that the same seeds draw the same cloth and hills as before there were edges.
    let edges = QuiltEdges::random(
        &mut Seeded::new(derive(seed, 72)),
        scene.quilt.width_mm,
        scene.quilt.length_mm,
    );
    Scene {
        band: Band {
            middle_s_mm: scene.quilt.length_mm / 2.0,
            depth_mm: scene.quilt.length_mm,
            sag_mm: 0.0,
            sag_across_mm: 0.0,
            ripple_mm: 0.0,
            ..Band::default()
        },
        relaxed: Some(Relaxed {
            waves,
            binding_mm: rng.between(8.0, 14.0),
            binding: ground(rng.below(14)),
            on_wall: rng.chance(0.4),
            edges,
        }),
        cards: Vec::new(),
        objects: Vec::new(),
        ..scene
    }
}

/// A quarter turn to either side, upright, or upside down, and a little more.
fn any_roll(range: &FinishedRange, rng: &mut Seeded) -> (bool, f64) {
    let quarters = rng.below(4);
    let more = rng.between(-range.scene.roll_deg, range.scene.roll_deg);
    (quarters % 2 == 1, 90.0 * quarters as f64 + more)
}

/// The camera far enough away that the whole quilt is in view.
fn whole_view(bare: &Scene, range: &FinishedRange, rng: &mut Seeded) -> Scene {
    let mut scene = bare.clone();
    let (on_side, roll_deg) = any_roll(range, rng);
    let (w, h) = scene.camera.size_px();
    let (w, h) = if on_side { (h, w) } else { (w, h) };
    let needed = (scene.quilt.width_mm / f64::from(w)).max(scene.quilt.length_mm / f64::from(h));
    // On its side or upright, whichever way the quilt fits better.
    let other = (scene.quilt.width_mm / f64::from(h)).max(scene.quilt.length_mm / f64::from(w));
    let turn = if other < needed { 90.0 } else { 0.0 };
    scene.camera = CameraHeld {
        mm_per_px: rng.between(range.mm_per_px[0], range.mm_per_px[1]),
        target_x_mm: rng.between(-40.0, 40.0),
        target_s_mm: scene.quilt.length_mm / 2.0 + rng.between(-40.0, 40.0),
        tilt_deg: rng.between(range.scene.tilt_deg[0], range.scene.tilt_deg[1]),
        from_deg: rng.between(-180.0, 180.0),
        roll_deg: roll_deg + turn,
        ..scene.camera.clone()
    };
    while !holds_quilt(&scene) {
        scene.camera.mm_per_px *= 1.02;
    }
    scene
}

fn holds_quilt(scene: &Scene) -> bool {
    let mut empty = scene.clone();
    empty.rows.clear();
    let nothing = Design {
        curve_mm: Vec::new(),
        repeat_mm: 1.0,
        breaks: Vec::new(),
    };
    let stage = Stage::new(&empty, &nothing);
    let half = scene.quilt.width_mm / 2.0;
    let corners = [-half, half].map(|x| [0.0, scene.quilt.length_mm].map(|s| Point2::new(x, s)));
    let margin = 0.01 * f64::from(stage.camera.width_px);
    corners.iter().flatten().all(|p| {
        let px = stage.project(*p);
        px.is_some_and(|px| stage.camera.holds(px, margin))
    })
}

/// Photos in bands down the quilt, each band's side by side.
fn overlapping_views(
    bare: &Scene,
    photos: u32,
    range: &FinishedRange,
    rng: &mut Seeded,
) -> Vec<Scene> {
    let (wide, long) = (
        bare.quilt.width_mm + 2.0 * BEYOND_MM,
        bare.quilt.length_mm + 2.0 * BEYOND_MM,
    );
    // 4:3 pictures: as many bands as make each photo's part of the quilt about that shape.
    let bands = (f64::from(photos) * long / wide * 4.0 / 3.0).sqrt().round();
    let bands = (bands as u32).clamp(1, photos);
    let part = |all: f64, n: u32| (all + f64::from(n - 1) * OVERLAP_MM) / f64::from(n);
    let place = |all: f64, n: u32, i: u32| {
        let view = part(all, n);
        view / 2.0 + f64::from(i) * (view - OVERLAP_MM)
    };
    let (w, h) = bare.camera.size_px();
    let mut scenes = Vec::new();
    for band in 0..bands {
        let count = photos / bands + u32::from(band < photos % bands);
        for i in 0..count {
            let (on_side, roll_deg) = any_roll(range, rng);
            let (w, h) = if on_side { (h, w) } else { (w, h) };
            let view = (part(wide, count), part(long, bands));
            let mm_per_px = (view.0 / f64::from(w)).max(view.1 / f64::from(h));
            scenes.push(Scene {
                seed: derive(bare.seed, 400 + scenes.len() as u64) >> 12,
                camera: CameraHeld {
                    mm_per_px: mm_per_px * rng.between(1.02, 1.12),
                    target_x_mm: place(wide, count, i) - wide / 2.0,
                    target_s_mm: place(long, bands, band) - BEYOND_MM,
                    tilt_deg: rng.between(range.scene.tilt_deg[0], range.scene.tilt_deg[1]),
                    from_deg: rng.between(-180.0, 180.0),
                    roll_deg,
                    ..bare.camera.clone()
                },
                ..bare.clone()
            });
        }
    }
    scenes
}

/// Pairs of photos whose places are next to each other.
fn neighbours(scenes: &[Scene]) -> Vec<[usize; 2]> {
    let at = |i: usize| {
        let camera = &scenes[i].camera;
        Point2::new(camera.target_x_mm, camera.target_s_mm)
    };
    let mut pairs = Vec::new();
    for i in 0..scenes.len() {
        for j in i + 1..scenes.len() {
            let nearest = |k: usize| {
                let others = (0..scenes.len()).filter(|n| *n != k);
                others
                    .map(|n| (at(n) - at(k)).norm())
                    .fold(f64::MAX, f64::min)
            };
            let apart = (at(i) - at(j)).norm();
            if apart < 1.35 * nearest(i).max(nearest(j)) {
                pairs.push([i, j]);
            }
        }
    }
    pairs
}

/// Cards laid so far, and what the next ones are like.
struct Cards {
    laid: Vec<CardOnQuilt>,
    like: CardOnQuilt,
    height_mm: Range,
    rock_deg: f64,
    numbers: [u16; 2],
}

impl Cards {
    fn new(range: &FinishedRange, rng: &mut Seeded) -> Cards {
        let range = &range.scene;
        Cards {
            laid: Vec::new(),
            like: CardOnQuilt {
                bar_mm: rng.between(range.card_bar_mm[0], range.card_bar_mm[1]),
                ink: rng.between(0.03, 0.12) as f32,
                paper: rng.between(0.78, 0.92) as f32,
                ink_spread_mm: rng.between(0.0, 0.08),
                ..CardOnQuilt::default()
            },
            height_mm: range.card_height_mm,
            rock_deg: range.card_rock_deg,
            numbers: [1, 1],
        }
    }

    /// Lays one more card where every one of `seen_by` shows it whole, if there is such a place.
    fn lay(
        &mut self,
        seen_by: &[Scene],
        rng: &mut Seeded,
        place: impl Fn(&mut Seeded) -> [f64; 2],
    ) {
        let kind = usize::from(rng.chance(0.5));
        let number = self.numbers[kind];
        let id = [CardId::Sheet, CardId::Strip][kind](number);
        for _ in 0..200 {
            let [x_mm, s_mm] = place(rng);
            // Any angle, but most of them with the arrow more or less up, as the card asks for.
            let angle_deg = match self.laid.len() < 3 || rng.chance(0.7) {
                true => rng.between(-60.0, 60.0),
                false => rng.between(-180.0, 180.0),
            };
            let mut rock = || rng.between(-self.rock_deg, self.rock_deg);
            let card = CardOnQuilt {
                card: id,
                x_mm,
                s_mm,
                angle_deg,
                rock_x_deg: rock(),
                rock_y_deg: rock(),
                height_mm: rng.between(self.height_mm[0], self.height_mm[1]),
                ..self.like.clone()
            };
            let fits = seen_by.iter().all(|scene| {
                let laid = Scene {
                    cards: self.laid.clone(),
                    ..scene.clone()
                };
                laid.shows_whole(&card)
            });
            if fits {
                self.laid.push(card);
                self.numbers[kind] += 1;
                return;
            }
        }
    }
}
