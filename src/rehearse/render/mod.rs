//! From a scene to a picture.
//!
//! One ray per pixel; everything on the cloth is drawn with edges as soft as the pixel is wide. Cards
//! are sampled 64 times per pixel near their edges, because their corners have to be true to 0.02 px.
//! All light is linear until the very end.

mod around;
mod card;
mod develop;
mod lamp;
mod painter;
mod sewn;
mod stage;

pub use stage::Stage;

use super::paper::{PracticePaper, PrintMap};
use super::scene::Scene;
use super::truth::{Truth, truth};
use crate::design::Design;
use develop::develop;
use image::RgbImage;
use painter::paint;

/// A practice photo with its truth.
#[derive(Debug, Clone)]
pub struct Rehearsed {
    /// The picture.
    pub photo: RgbImage,
    /// What is true of it.
    pub truth: Truth,
}

/// Draws a scene.
pub fn render(scene: &Scene, design: &Design) -> Rehearsed {
    let stage = Stage::new(scene, design);
    let light = paint(scene, &stage, None);
    let photo = develop(scene, &stage, light);
    let truth = truth(scene, design, &stage, &photo);
    Rehearsed { photo, truth }
}

/// Draws a photo of a printed paper.
pub fn render_paper(paper: &PracticePaper) -> RgbImage {
    let stage = Stage::new(&paper.scene, &paper.design);
    let light = paint(&paper.scene, &stage, Some(PrintMap::new(&paper.print)));
    develop(&paper.scene, &stage, light)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::geometry::CardId;
    use crate::geometry::Point2;
    use crate::rehearse::fabric::linear;
    use crate::rehearse::range::SceneRange;
    use crate::rehearse::scene::{CardOnQuilt, FabricClass};
    use crate::rehearse::trial_design;

    fn linear_at(photo: &RgbImage, x: u32, y: u32) -> f64 {
        let g = f32::from(photo.get_pixel(x, y).0[1]) / 255.0;
        f64::from(linear([g; 3])[0])
    }

    /// A still, even, noiseless picture of a card.
    fn plain() -> Scene {
        let mut scene = Scene::default();
        scene.camera.megapixels = 2.0;
        scene.fabric.class = FabricClass::Solid;
        scene.fabric.weave = 0.0;
        scene.puff.depth_mm = 0.0;
        scene.thread.gloss = 0.0;
        scene.light.diffuse = 1.0;
        scene.light.gradient = 0.0;
        scene.light.mixed = 0.0;
        scene.picture.vignetting = 0.0;
        scene.picture.shot_noise = 0.0;
        scene.picture.read_noise = 0.0;
        scene
    }

    /// Where the edge from `a` to `b` is in the picture, from the light itself: the sum over a window
    /// of pixels across the edge, black on the side of `inward`, tells how much of the window is white.
    /// Returns the mean distance from the stated edge, px.
    fn edge_error(photo: &RgbImage, a: Point2, b: Point2, inward: Point2) -> f64 {
        let steep = (b.y - a.y).abs() > (b.x - a.x).abs();
        let along = |p: Point2| if steep { p.y } else { p.x };
        let across = |p: Point2| if steep { p.x } else { p.y };
        let (low, high) = (along(a).min(along(b)) + 8.0, along(a).max(along(b)) - 8.0);
        let black_first = across(inward) < across(a);
        let mut errors = Vec::new();
        for line in low.ceil() as i64..high.floor() as i64 {
            let t = (line as f64 + 0.5 - along(a)) / (along(b) - along(a));
            let stated = across(a) + t * (across(b) - across(a));
            let start = stated.floor() as i64 - 5;
            let light: Vec<f64> = (start..start + 11)
                .map(|i| {
                    let (x, y) = if steep { (i, line) } else { (line, i) };
                    linear_at(photo, x as u32, y as u32)
                })
                .collect();
            let (first, last) = (light[0], light[10]);
            let white_share: f64 = light.iter().map(|v| (v - first) / (last - first)).sum();
            let found = (start + 11) as f64 - white_share;
            assert!((last > first) == black_first);
            errors.push(found - stated);
        }
        errors.iter().sum::<f64>() / errors.len() as f64
    }

    #[test]
    fn card_edges_in_the_picture_are_where_the_truth_says() {
        let mut scene = plain();
        scene.camera.tilt_deg = 25.0;
        scene.camera.roll_deg = 4.0;
        scene.camera.from_deg = 20.0;
        scene.camera.off_centre = [0.008, -0.006];
        scene.cards = vec![CardOnQuilt {
            card: CardId::Sheet(2),
            s_mm: 930.0,
            angle_deg: 7.0,
            height_mm: 6.0,
            rock_x_deg: 1.2,
            rock_y_deg: -1.4,
            bar_mm: 148.7,
            ink_spread_mm: 0.0,
            ..CardOnQuilt::default()
        }];
        let Rehearsed { photo, truth } = render(&scene, &trial_design());
        let mut errors = Vec::new();
        for tag in &truth.cards[0].tags_px {
            let middle = nalgebra::center(&tag[0], &tag[2]);
            for side in 0..4 {
                errors.push(edge_error(&photo, tag[side], tag[(side + 1) % 4], middle));
            }
        }
        let rms = (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt();
        let mean = errors.iter().sum::<f64>() / errors.len() as f64;
        // 48 edges; the paper's own grey gradient of some percent moves a single one by hundredths.
        assert!(rms < 0.02, "{rms} {errors:?}");
        assert!(mean.abs() < 0.005, "{mean}");
    }

    #[test]
    fn thread_in_the_picture_is_where_the_truth_says() {
        let mut scene = plain();
        scene.cards.clear();
        scene.band.sag_mm = 10.0;
        scene.camera.tilt_deg = 30.0;
        scene.camera.k1 = -0.06;
        scene.thread.colour = [1.0; 3];
        scene.fabric.colour = [0.1; 3];
        let stage = Stage::new(&scene, &trial_design());
        let photo = render(&scene, &trial_design()).photo;
        let (mut sum, mut count) = (0.0, 0.0);
        for stitch in stage.rows.iter().flatten().step_by(7) {
            // Stitches that run across the picture: the thread's centroid in a column of pixels.
            let (from, to) = (stage.project(stitch.from), stage.project(stitch.to));
            let (Some(from), Some(to)) = (from, to) else {
                continue;
            };
            let px = nalgebra::center(&from, &to);
            let level = (to.y - from.y).abs() < 0.2 * (to.x - from.x).abs();
            if !level || !stage.camera.holds(px, 20.0) || !stage.cloth.holds(stitch.middle(), -40.0)
            {
                continue;
            }
            let (column, row) = (px.x.floor(), px.y.floor());
            let stated = px.y + (to.y - from.y) / (to.x - from.x) * (column + 0.5 - px.x);
            let ground = linear_at(&photo, column as u32, row as u32 - 7);
            let (mut light, mut moment) = (0.0, 0.0);
            for j in -5..=5 {
                let v = linear_at(&photo, column as u32, (row as i64 + j) as u32) - ground;
                light += v;
                moment += v * (row + j as f64 + 0.5);
            }
            sum += moment / light - stated;
            count += 1.0;
        }
        let mean: f64 = sum / count;
        assert!(count > 100.0, "{count}");
        // Shadow, holes and the shadow's side are even in this light; what is left is sampling.
        assert!(mean.abs() < 0.03, "{mean} px over {count} stitches");
    }

    #[test]
    fn same_seed_gives_the_same_picture_and_another_seed_another() {
        let range = SceneRange::full_range().with_megapixels(0.3);
        let photo = |seed| render(&Scene::random(seed, &range), &trial_design()).photo;
        assert!(photo(5) == photo(5));
        assert!(photo(5) != photo(6));
    }

    #[test]
    fn thread_count_does_not_change_the_picture() {
        let scene = Scene::random(8, &SceneRange::full_range().with_megapixels(0.2));
        let with = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
            pool.unwrap()
                .install(|| render(&scene, &trial_design()).photo)
        };
        assert!(with(1) == with(3));
    }
}
