//! Practice photos of one difficulty at a time, for tables that say where measuring is weak.

use super::fabric::ground;
use super::range::SceneRange;
use super::render::render;
use super::scene::{BarShadow, Colour, FabricClass, Scene, SecondLamp, WrongTurn};
use super::seeded::{Seeded, derive};
use crate::design::Design;
use serde::{Deserialize, Serialize};

/// Kinds of photos, each hard in a way of its own. Everything else about them is as random as in
/// [`SceneRange::full_range`], but for [`PhotoClass::Easy`].
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, clap::ValueEnum,
)]
#[serde(rename_all = "kebab-case")]
pub enum PhotoClass {
    /// Plain cloth, bright thread, good light, a steady camera.
    Easy,
    /// Mottled cloth, thread of nearly its colour.
    ToneOnTone,
    /// The same with the line faded until its contrast is half the texture's standard deviation.
    HalfTexture,
    /// Scrolls and flowers of the design's own size.
    LargePrint,
    /// Motifs of 7 to 18 mm.
    SmallPrint,
    /// Stripes.
    Stripes,
    /// Checks.
    Checks,
    /// Pieces of different fabrics with seams.
    Patchwork,
    /// Dyed, cloudy, with crackle.
    Batik,
    /// White thread on white cloth: only grooves, holes and shadows show.
    WhiteOnWhite,
    /// A thread that changes from one colour to another and back.
    Variegated,
    /// Bars above the quilt throw shadows across it.
    RailShadow,
    /// A warm and a cool lamp on two sides, and a stripe of sun.
    MixedLight,
    /// The camera moved.
    MotionBlur,
    /// Little light: noise, and a wide open lens.
    LowLight,
    /// Parts of 30 to 120 mm not stitched.
    MissingParts,
    /// Parts stitched off the design.
    WrongTurns,
    /// No row at all.
    NoRow,
    /// Stitched with another design than the plan's.
    OtherDesign,
}

/// The fabric a class is about; the others have all kinds.
fn fabric_of(class: PhotoClass) -> Option<FabricClass> {
    match class {
        PhotoClass::ToneOnTone | PhotoClass::HalfTexture => Some(FabricClass::Tonal),
        PhotoClass::LargePrint => Some(FabricClass::LargePrint),
        PhotoClass::SmallPrint => Some(FabricClass::SmallPrint),
        PhotoClass::Stripes => Some(FabricClass::Stripes),
        PhotoClass::Checks => Some(FabricClass::Checks),
        PhotoClass::Patchwork => Some(FabricClass::Patchwork),
        PhotoClass::Batik => Some(FabricClass::Batik),
        PhotoClass::WhiteOnWhite => Some(FabricClass::Solid),
        _ => None,
    }
}

/// Over what the random scenes of a class range.
fn range_of(class: PhotoClass, megapixels: f64) -> SceneRange {
    let full = SceneRange {
        mm_per_px: [0.35, 0.6],
        missed: 0.0,
        thread_contrast: [0.12, 0.7],
        ..SceneRange::full_range()
    };
    let one = |fabric| SceneRange {
        fabrics: vec![fabric],
        ..full.clone()
    };
    let range = match class {
        PhotoClass::Easy => SceneRange {
            mm_per_px: [0.35, 0.6],
            ..SceneRange::easy()
        },
        PhotoClass::ToneOnTone | PhotoClass::HalfTexture => SceneRange {
            thread_contrast: [0.02, 0.08],
            ..one(FabricClass::Tonal)
        },
        PhotoClass::MotionBlur => SceneRange {
            blur_px: [0.5, 1.2],
            ..full
        },
        PhotoClass::LowLight => SceneRange {
            shot_noise: [1e-3, 4e-3],
            blur_px: [1.0, 2.0],
            jpeg_quality: [70.0, 88.0],
            ..full
        },
        class => match fabric_of(class) {
            Some(fabric) => one(fabric),
            None => full,
        },
    };
    range.with_megapixels(megapixels)
}

impl Scene {
    /// A random scene of a class; the same seed gives the same scene. `design` is what is stitched.
    pub fn of_class(class: PhotoClass, seed: u64, megapixels: f64, design: &Design) -> Scene {
        let own = derive(seed, 7_000 + class as u64) >> 12;
        let mut scene = Scene::random(own, &range_of(class, megapixels));
        let mut rng = Seeded::new(derive(own, 71));
        match class {
            PhotoClass::HalfTexture => fade(&mut scene, design, 0.5),
            PhotoClass::WhiteOnWhite => white_on_white(&mut scene, &mut rng),
            PhotoClass::Variegated => variegate(&mut scene, &mut rng),
            PhotoClass::RailShadow => shade_by_bars(&mut scene, &mut rng),
            PhotoClass::MixedLight => light_twice(&mut scene, &mut rng),
            PhotoClass::MotionBlur => scene.picture.motion_px = rng.between(2.5, 6.0),
            PhotoClass::LowLight => {
                scene.light.exposure = rng.between(0.2, 0.45) as f32;
                scene.picture.read_noise = rng.between(0.004, 0.010) as f32;
            }
            PhotoClass::MissingParts => {
                for (n, [from, to]) in stretches(&scene, &mut rng, [30.0, 120.0]) {
                    scene.rows[n].missed.push([from, to]);
                }
            }
            PhotoClass::WrongTurns => {
                for (n, [from_mm, to_mm]) in stretches(&scene, &mut rng, [40.0, 140.0]) {
                    let side = if rng.chance(0.5) { 1.0 } else { -1.0 };
                    scene.rows[n].wrong_turns.push(WrongTurn {
                        from_mm,
                        to_mm,
                        aside_mm: side * rng.between(8.0, 25.0),
                    });
                }
            }
            PhotoClass::NoRow => scene.rows.clear(),
            _ => {}
        }
        scene
    }
}

/// One stretch for each row, within the part of it in view, as the row's place and from … to, mm.
fn stretches(scene: &Scene, rng: &mut Seeded, length_mm: [f64; 2]) -> Vec<(usize, [f64; 2])> {
    let (width_px, _) = scene.camera.size_px();
    let half_view = 0.4 * f64::from(width_px) * scene.camera.mm_per_px;
    (0..scene.rows.len())
        .map(|n| {
            let length = rng.between(length_mm[0], length_mm[1]);
            let from =
                scene.camera.target_x_mm + rng.between(-half_view, (half_view - length).max(0.0));
            (n, [from, from + length])
        })
        .collect()
}

fn white_on_white(scene: &mut Scene, rng: &mut Seeded) {
    let white = rng.between(0.86, 0.96) as f32;
    let warm = rng.between(0.0, 0.04) as f32;
    let cloth = [white, white - warm / 2.0, white - warm];
    scene.fabric.colour = cloth;
    // Thread is never quite the cloth's white.
    let lighter = rng.between(-0.03, 0.03) as f32;
    scene.thread.colour = cloth.map(|c| (c + lighter).min(1.0));
    scene.thread.second = None;
    scene.thread.gloss = rng.between(0.0, 0.4) as f32;
}

/// Two colours a good way apart, of which one may well be the cloth's.
fn variegate(scene: &mut Scene, rng: &mut Seeded) {
    let luma = |c: Colour| 0.299 * c[0] + 0.587 * c[1] + 0.114 * c[2];
    let first = ground(rng.below(14));
    let second = (0..40)
        .map(|_| ground(rng.below(14)))
        .find(|c| (luma(*c) - luma(first)).abs() > 0.25)
        .unwrap_or([0.93, 0.91, 0.86]);
    scene.thread.colour = first;
    scene.thread.second = Some(second);
    scene.thread.round_mm = rng.between(60.0, 500.0);
}

/// One or two bars whose shadows cross the newest gap.
fn shade_by_bars(scene: &mut Scene, rng: &mut Seeded) {
    let newest_s = scene.rows.last().map_or(0.0, |r| r.offset_mm);
    for _ in 0..1 + rng.below(2) {
        let bar = BarShadow {
            s_mm: newest_s + rng.between(-1.2, 0.4) * scene.quilt.spacing_mm,
            slope_mm_per_m: rng.between(-60.0, 60.0),
            width_mm: rng.between(15.0, 90.0),
            soft_mm: rng.between(2.0, 25.0),
            directed: rng.between(0.0, 0.35) as f32,
        };
        scene.light.bars.push(bar);
    }
    scene.light.diffuse = rng.between(0.35, 0.6) as f32;
}

fn light_twice(scene: &mut Scene, rng: &mut Seeded) {
    scene.light.mixed = rng.between(0.5, 1.0) as f32;
    scene.light.gradient = rng.between(0.3, 0.8) as f32;
    scene.light.second = Some(SecondLamp {
        from_deg: scene.light.from_deg + rng.between(90.0, 270.0),
        elevation_deg: rng.between(18.0, 65.0),
        share: rng.between(0.25, 0.5) as f32,
    });
    if rng.chance(0.5) {
        let newest_s = scene.rows.last().map_or(0.0, |r| r.offset_mm);
        // Where the sun comes in the sensor must not clip altogether.
        scene.light.exposure *= 0.7;
        scene.light.bars.push(BarShadow {
            s_mm: newest_s + rng.between(-1.2, 0.6) * scene.quilt.spacing_mm,
            slope_mm_per_m: rng.between(-400.0, 400.0),
            width_mm: rng.between(40.0, 200.0),
            soft_mm: rng.between(1.0, 12.0),
            directed: rng.between(1.5, 2.2) as f32,
        });
    }
}

/// Megapixels of the pictures by which a line is faded: some 500 by 350 mm.
const PROOF_MEGAPIXELS: f64 = 0.8;
/// How much stronger than drawn at random a texture is made at most.
const MOST_TEXTURE: f64 = 3.0;

/// Fades thread, holes and groove together, and where the thread's own roundness still shows too much, strengthens
/// the cloth's texture, until the line's contrast in the picture is `wanted` standard deviations of the texture; by
/// halving on proof pictures.
fn fade(scene: &mut Scene, design: &Design, wanted: f64) {
    // From 0 to 1 the line fades, from 1 to 2 the texture grows.
    let faded = |way: f64| {
        let mut faded = scene.clone();
        let left = (1.0 - way).max(0.0);
        let texture = 1.0 + (MOST_TEXTURE - 1.0) * (way - 1.0).max(0.0);
        let cloth = faded.fabric.colour;
        for (thread, cloth) in faded.thread.colour.iter_mut().zip(cloth) {
            *thread = cloth + (*thread - cloth) * left as f32;
        }
        faded.thread.second = None;
        faded.thread.gloss *= left as f32;
        faded.thread.holes *= left as f32;
        faded.puff.depth_mm *= left;
        faded.fabric.contrast *= texture as f32;
        faded.fabric.weave *= texture as f32;
        faded
    };
    let contrast = |way: f64| {
        let mut proof = faded(way);
        proof.cards.clear();
        proof.objects.clear();
        proof.camera.megapixels = PROOF_MEGAPIXELS;
        let rows = render(&proof, design).truth.rows;
        let sum: f64 = rows.iter().map(|r| r.line_to_texture).sum();
        sum / rows.len().max(1) as f64
    };
    let (mut low, mut high) = (0.0, 2.0);
    for _ in 0..6 {
        let middle = 0.5 * (low + high);
        if contrast(middle) > wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    *scene = faded(0.5 * (low + high));
}

#[cfg(test)]
mod tests {
    use super::super::trial_design;
    use super::*;
    use clap::ValueEnum;

    #[test]
    fn a_class_changes_what_it_is_named_for_and_scenes_survive_json() {
        let design = trial_design();
        for class in PhotoClass::value_variants() {
            // Fading draws pictures; the test below does that once.
            if *class == PhotoClass::HalfTexture {
                continue;
            }
            let scene = Scene::of_class(*class, 3, 12.0, &design);
            assert_eq!(scene, Scene::of_class(*class, 3, 12.0, &design));
            assert_ne!(scene, Scene::of_class(*class, 4, 12.0, &design));
            let json = serde_json::to_string(&scene).unwrap();
            let _: Scene = serde_json::from_str(&json).unwrap();
            let has = |class_: PhotoClass, it: bool| assert_eq!(*class == class_, it, "{class:?}");
            let any = |f: &dyn Fn(&super::super::Row) -> bool| scene.rows.iter().any(f);
            has(PhotoClass::MissingParts, any(&|r| !r.missed.is_empty()));
            has(PhotoClass::WrongTurns, any(&|r| !r.wrong_turns.is_empty()));
            has(PhotoClass::NoRow, scene.rows.is_empty());
            has(PhotoClass::MixedLight, scene.light.second.is_some());
            has(PhotoClass::MotionBlur, scene.picture.motion_px >= 2.5);
            has(PhotoClass::LowLight, scene.picture.shot_noise >= 1e-3);
        }
    }

    /// In the proof picture itself; other parts of the same cloth scatter by a third or so.
    #[test]
    fn a_faded_line_has_the_contrast_asked_for() {
        let design = trial_design();
        let mut scene = Scene::of_class(PhotoClass::HalfTexture, 5, PROOF_MEGAPIXELS, &design);
        scene.cards.clear();
        scene.objects.clear();
        let rows = render(&scene, &design).truth.rows;
        let contrast = rows.iter().map(|r| r.line_to_texture).sum::<f64>() / rows.len() as f64;
        assert!((0.45..0.55).contains(&contrast), "{contrast}");
    }
}
