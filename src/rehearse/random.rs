//! Scenes by chance: the same seed gives the same scene.

use super::fabric::{GROUNDS, ground};
use super::range::{CardChoice, Range, SceneRange};
use super::scene::{
    Around, Band, CameraHeld, CardOnQuilt, Fabric, FabricClass, Hand, Light, Object, Picture, Puff,
    Quilt, Rail, Row, Scene, Thread,
};
use super::seeded::{Seeded, derive, short_seed};
use crate::card::geometry::CardId;

/// What a random scene takes over from the quilt it belongs to.
#[derive(Debug, Clone)]
pub(super) struct Given {
    /// The quilt.
    pub quilt: Quilt,
    /// Its rows so far, at least one.
    pub rows: Vec<Row>,
    /// Whose cloth, thread, hand, camera and cards stay the same from photo to photo.
    pub like: Option<Box<Scene>>,
}

impl Scene {
    /// A scene drawn from `range`; the same seed gives the same scene.
    pub fn random(seed: u64, range: &SceneRange) -> Scene {
        let mut rng = Seeded::new(derive(seed, 1));
        let mut within = |r: Range| rng.between(r[0], r[1]);
        let mut quilt = Quilt {
            seed: short_seed(seed, 2),
            width_mm: within([1500.0, 2600.0]),
            length_mm: 3000.0,
            design_start_mm: within([-150.0, 150.0]),
            stagger: 0.0,
            spacing_mm: within(range.spacing_mm),
            stretch_x: within(range.stretch),
            stretch_y: within(range.stretch),
        };
        let newest = within([4.0, 12.0]) as u32;
        quilt.stagger = [0.0, 0.5, 0.5, 1.0 / 3.0][rng.below(4)];
        let newest_s = 90.0 + f64::from(newest - 1) * quilt.spacing_mm;
        let rows = random_rows(&mut rng, range, &quilt, newest, newest_s);
        let given = Given {
            quilt,
            rows,
            like: None,
        };
        Scene::of_quilt(seed, range, given)
    }

    /// A scene of a given quilt.
    pub(super) fn of_quilt(seed: u64, range: &SceneRange, given: Given) -> Scene {
        let Given { quilt, rows, like } = given;
        let like = like.as_deref();
        let newest_s = rows.last().map_or(0.0, |r| r.offset_mm);
        let mut rng = Seeded::new(derive(seed, 3));
        let mut within = |r: Range| rng.between(r[0], r[1]);
        let depth_mm = within(range.depth_mm);
        // The newest row's baseline lies this far above the bottom roller.
        let below = quilt.spacing_mm * within([0.7, 1.3]);
        let hand = Hand {
            wobble_rms_mm: within(range.wobble_rms_mm),
            wobble_correlation_mm: within(range.wobble_correlation_mm),
            wander_rms_mm: within(range.wander_rms_mm),
            wander_correlation_mm: within([150.0, 400.0]),
            stitch_mm: within([2.1, 2.6]),
            stitch_scatter: within([0.04, 0.12]),
        };
        let ripple = within([0.0, 1.0]);
        let band = Band {
            middle_s_mm: newest_s + below - depth_mm / 2.0,
            depth_mm,
            sag_mm: within(range.sag_mm),
            sag_across_mm: within(range.sag_across_mm),
            // Mostly small, seldom the largest.
            ripple_mm: range.ripple_mm * ripple * ripple,
            ripple_wavelength_mm: within([70.0, 180.0]),
        };
        let fabric = random_fabric(&mut rng, range);
        let thread = random_thread(&mut rng, range, &fabric);
        let puff = Puff {
            groove_mm: rng.between(3.0, 8.0),
            depth_mm: rng.between(range.groove_depth_mm[0], range.groove_depth_mm[1]),
            puckers: rng.between(0.0, 0.6),
        };
        let light = random_light(&mut rng, &band);
        let rails = [Rail::Metal, Rail::Dark, Rail::Rolled];
        let around = Around {
            top: rails[rng.below(3)],
            bottom: rails[rng.below(3)],
            rail_mm: rng.between(40.0, 90.0),
            floor: [rng.between(0.15, 0.6) as f32; 3],
            batting_mm: rng.between(0.0, 60.0),
        };
        let picture = random_picture(&mut rng, range);
        let camera = random_camera(&mut rng, range, &quilt, newest_s);
        let mut scene = Scene {
            seed,
            band,
            relaxed: None,
            rows,
            hand: like.map_or(hand, |l| l.hand.clone()),
            thread: like.map_or(thread, |l| l.thread.clone()),
            puff: like.map_or(puff, |l| l.puff.clone()),
            fabric: like.map_or(fabric, |l| l.fabric.clone()),
            light,
            cards: Vec::new(),
            objects: Vec::new(),
            around: like.map_or(around, |l| l.around.clone()),
            camera: like.map_or(camera.clone(), |l| CameraHeld {
                focal_35mm: l.camera.focal_35mm,
                off_centre: l.camera.off_centre,
                k1: l.camera.k1,
                k2: l.camera.k2,
                ..camera
            }),
            picture,
            quilt,
        };
        scene.lay_cards(&mut rng, range, newest_s, like);
        scene.lay_objects(&mut rng, range, newest_s);
        scene
    }
}

impl Scene {
    /// Lays cards into the view: one sheet or two strips.
    fn lay_cards(
        &mut self,
        rng: &mut Seeded,
        range: &SceneRange,
        newest_s: f64,
        like: Option<&Scene>,
    ) {
        let sheet = match range.cards {
            CardChoice::OneSheet => true,
            CardChoice::TwoStrips => false,
            CardChoice::Either => rng.chance(0.5),
        };
        let ids = if sheet {
            vec![CardId::Sheet(1 + rng.below(20) as u16)]
        } else {
            let first = 1 + rng.below(59) as u16;
            vec![CardId::Strip(first), CardId::Strip(first + 1)]
        };
        let bar_mm = rng.between(range.card_bar_mm[0], range.card_bar_mm[1]);
        let ink = rng.between(0.03, 0.12) as f32;
        let paper = rng.between(0.78, 0.92) as f32;
        let ink_spread_mm = rng.between(0.0, 0.08);
        // One quilt, one printed set of cards.
        let known = like.map_or(&[][..], |l| &l.cards);
        let first = known.first().cloned();
        let (bar_mm, ink, paper, ink_spread_mm) = first
            .map_or((bar_mm, ink, paper, ink_spread_mm), |c| {
                (c.bar_mm, c.ink, c.paper, c.ink_spread_mm)
            });
        let (ids, sheet) = match known {
            [] => (ids, sheet),
            [one] => (vec![one.card], matches!(one.card, CardId::Sheet(_))),
            several => (several.iter().map(|c| c.card).collect(), false),
        };
        let y_to_x = 1.0 + rng.between(-0.0005, 0.0005);
        // Two cards lie in the left and the right part of the view.
        let sides: &[f64] = if sheet { &[0.0] } else { &[-1.0, 1.0] };
        let (width_px, _) = self.camera.size_px();
        let view_mm = f64::from(width_px) * self.camera.mm_per_px;
        for (id, side) in ids.into_iter().zip(sides) {
            // Most people keep the card off the stitching as far as the free band allows.
            let lowest = if rng.chance(0.65) { 0.25 } else { -1.0 };
            // Where nothing fits after many tries, the photo goes without this card: such photos are
            // taken too.
            for attempt in 0..600 {
                let lowest = if attempt < 200 { lowest } else { -1.0 };
                let angle_deg = if rng.chance(range.any_angle) {
                    rng.between(-90.0, 90.0)
                } else {
                    rng.between(-12.0, 12.0)
                };
                let x = if *side == 0.0 {
                    rng.between(-0.3, 0.3)
                } else {
                    side * rng.between(0.15, 0.38)
                };
                let card = CardOnQuilt {
                    card: id,
                    x_mm: self.camera.target_x_mm + x * view_mm,
                    s_mm: newest_s + rng.between(lowest, 1.2) * self.quilt.spacing_mm,
                    angle_deg,
                    height_mm: rng.between(range.card_height_mm[0], range.card_height_mm[1]),
                    rock_x_deg: rng.between(-range.card_rock_deg, range.card_rock_deg),
                    rock_y_deg: rng.between(-range.card_rock_deg, range.card_rock_deg),
                    bar_mm,
                    y_to_x,
                    curl_mm: rng.between(0.0, range.card_curl_mm),
                    ink,
                    paper,
                    ink_spread_mm,
                };
                if self.shows_whole(&card) {
                    self.cards.push(card);
                    break;
                }
            }
        }
    }

    /// Lays something in the way, now and then.
    fn lay_objects(&mut self, rng: &mut Seeded, range: &SceneRange, newest_s: f64) {
        if !rng.chance(range.objects) {
            return;
        }
        let (width_px, _) = self.camera.size_px();
        let half = f64::from(width_px) * self.camera.mm_per_px / 2.0;
        let x = self.camera.target_x_mm + rng.between(-0.9, 0.9) * half;
        let reach = rng.between(-0.3, 0.8) * self.quilt.spacing_mm;
        let skin = rng.between(0.0, 1.0) as f32;
        self.objects.push(Object {
            from_mm: [x, newest_s + reach],
            to_mm: [
                x + rng.between(-60.0, 60.0),
                newest_s + reach + rng.between(120.0, 300.0),
            ],
            radius_mm: rng.between(8.0, 30.0),
            height_mm: rng.between(10.0, 30.0),
            colour: [0.80 - 0.4 * skin, 0.62 - 0.36 * skin, 0.52 - 0.34 * skin],
        });
    }
}

fn random_light(rng: &mut Seeded, band: &Band) -> Light {
    Light {
        from_deg: rng.between(0.0, 360.0),
        elevation_deg: rng.between(18.0, 65.0),
        diffuse: rng.between(0.35, 0.9) as f32,
        gradient: rng.between(0.0, 0.5) as f32,
        gradient_deg: rng.between(0.0, 360.0),
        mixed: rng.between(0.0, 0.4) as f32,
        exposure: rng.between(0.55, 0.85) as f32,
        shadow_s_mm: band.middle_s_mm + rng.between(-0.4, 0.4) * band.depth_mm,
        shadow: if rng.chance(0.25) {
            rng.between(0.5, 0.9) as f32
        } else {
            1.0
        },
        bars: Vec::new(),
        second: None,
    }
}

fn random_picture(rng: &mut Seeded, range: &SceneRange) -> Picture {
    Picture {
        blur_px: rng.between(range.blur_px[0], range.blur_px[1]),
        motion_px: if rng.chance(0.3) {
            rng.between(0.0, range.motion_px)
        } else {
            0.0
        },
        motion_deg: rng.between(0.0, 180.0),
        vignetting: rng.between(0.0, 0.35) as f32,
        shot_noise: rng.between(range.shot_noise[0], range.shot_noise[1]) as f32,
        read_noise: rng.between(0.001, 0.004) as f32,
        sharpen: if rng.chance(0.4) {
            rng.between(0.1, 0.5) as f32
        } else {
            0.0
        },
        jpeg_quality: rng.between(range.jpeg_quality[0], range.jpeg_quality[1]) as u8,
    }
}

fn random_rows(
    rng: &mut Seeded,
    range: &SceneRange,
    quilt: &Quilt,
    newest: u32,
    newest_s: f64,
) -> Vec<Row> {
    let mut rows = Vec::new();
    let (mut s, mut slope, mut bow) = (newest_s, 0.0, 0.0);
    slope += 2.0 * rng.normal();
    for row in (newest.saturating_sub(4).max(1)..=newest).rev() {
        let mut missed = Vec::new();
        if rng.chance(range.missed / 4.0) {
            let from = rng.between(-0.4, 0.4) * quilt.width_mm;
            missed.push([from, from + rng.between(15.0, 90.0)]);
        }
        rows.push(Row {
            row,
            offset_mm: s,
            slope_mm_per_m: slope,
            bow_mm: bow,
            shift_mm: range.shift_scatter_mm * rng.normal(),
            missed,
            wrong_turns: Vec::new(),
        });
        s -= quilt.spacing_mm + range.gap_scatter_mm * rng.normal();
        slope += range.slope_scatter_mm_per_m * rng.normal();
        bow += range.bow_scatter_mm * rng.normal();
    }
    rows.reverse();
    rows
}

fn random_fabric(rng: &mut Seeded, range: &SceneRange) -> Fabric {
    let class = range.fabrics[rng.below(range.fabrics.len())];
    let motif_mm = match class {
        FabricClass::SmallPrint => rng.between(7.0, 18.0),
        FabricClass::LargePrint => rng.between(60.0, 150.0),
        FabricClass::Stripes | FabricClass::Checks => rng.between(4.0, 40.0),
        FabricClass::Patchwork => rng.between(60.0, 200.0),
        _ => rng.between(20.0, 80.0),
    };
    Fabric {
        class,
        colour: ground(rng.below(GROUNDS.len())),
        second: ground(rng.below(GROUNDS.len())),
        contrast: rng.between(0.25, 0.9) as f32,
        motif_mm,
        angle_deg: if rng.chance(0.5) {
            0.0
        } else {
            rng.between(-45.0, 45.0)
        },
        weave: rng.between(0.2, 0.8) as f32,
    }
}

fn random_thread(rng: &mut Seeded, range: &SceneRange, fabric: &Fabric) -> Thread {
    let contrast = rng.between(range.thread_contrast[0], range.thread_contrast[1]) as f32;
    let mean = fabric.colour.iter().sum::<f32>() / 3.0;
    // Towards whichever side has room, so that the contrast asked for is there.
    let lighter = if mean < 0.35 {
        true
    } else if mean > 0.65 {
        false
    } else {
        rng.chance(0.5)
    };
    let goal = if lighter { 1.0 } else { 0.03 };
    let to_goal = (contrast / (goal - mean).abs().max(0.05)).min(1.0);
    let colour = fabric.colour.map(|c| c + (goal - c) * to_goal);
    let second = rng.chance(0.12).then(|| ground(rng.below(GROUNDS.len())));
    Thread {
        colour,
        second,
        round_mm: rng.between(150.0, 600.0),
        width_mm: rng.between(0.3, 0.6),
        gloss: rng.between(0.0, 0.8) as f32,
        holes: 1.0,
        tails_per_dm2: if rng.chance(0.4) {
            rng.between(0.1, 1.0)
        } else {
            0.0
        },
    }
}

fn random_camera(rng: &mut Seeded, range: &SceneRange, quilt: &Quilt, newest_s: f64) -> CameraHeld {
    let mm_per_px = rng.between(range.mm_per_px[0], range.mm_per_px[1]);
    let mut camera = CameraHeld {
        megapixels: range.megapixels,
        focal_35mm: rng.between(range.focal_35mm[0], range.focal_35mm[1]),
        mm_per_px,
        tilt_deg: rng.between(range.tilt_deg[0], range.tilt_deg[1]),
        // Most photos are taken from the front of the frame, some from a side or from behind.
        from_deg: if rng.chance(0.75) {
            rng.between(-35.0, 35.0)
        } else {
            rng.between(-180.0, 180.0)
        },
        roll_deg: rng.between(-range.roll_deg, range.roll_deg),
        off_centre: [
            rng.between(-range.off_centre, range.off_centre),
            rng.between(-range.off_centre, range.off_centre),
        ],
        k1: rng.between(range.k1[0], range.k1[1]),
        ..CameraHeld::default()
    };
    let (width_px, height_px) = camera.size_px();
    let view = f64::from(width_px) * mm_per_px;
    let high = f64::from(height_px) * mm_per_px;
    let room = ((quilt.width_mm - view) / 2.0).max(0.0) + 0.1 * view;
    camera.target_x_mm = rng.between(-room, room);
    // The gap above the newest row is in the upper half of the view; a small view has to sit closer.
    let up = rng.between(0.35, 0.7) * quilt.spacing_mm;
    camera.target_s_mm = newest_s - up.min(0.25 * high) + rng.between(-0.05, 0.05) * high;
    camera
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn random_scenes_lay_their_cards_in_view() {
        let range = SceneRange::full_range();
        let complete = (0..60)
            .map(|seed| Scene::random(seed, &range))
            .filter(|scene| match scene.cards.as_slice() {
                [one] => matches!(one.card, CardId::Sheet(_)),
                [_, _] => true,
                _ => false,
            })
            .count();
        // One sheet or two strips in all of them, as the range asks.
        assert_eq!(complete, 60);
    }
}
