//! Cards found in practice photos of known truth and in published photographs.

use image::{GrayImage, RgbImage};
use rowsight::card::geometry::CardId;
use rowsight::card::{CardInPhoto, CornerKind, DetectOptions, find_cards};
use rowsight::rehearse::{CardTruth, Scene, SceneRange, Truth, render, trial_design};

/// Luma as the photo room gives it: Y of YCbCr, full range (ITU-T T.871).
fn luma(photo: &RgbImage) -> GrayImage {
    GrayImage::from_fn(photo.width(), photo.height(), |x, y| {
        let [r, g, b] = photo.get_pixel(x, y).0.map(f64::from);
        image::Luma([(0.299 * r + 0.587 * g + 0.114 * b).round() as u8])
    })
}

/// Errors of a card's corners of one kind: distance, px, and rᵀC⁻¹r.
fn errors(card: &CardInPhoto, truth: &CardTruth, kind: CornerKind) -> Vec<(f64, f64)> {
    let mut known: Vec<_> = card
        .card
        .patches_mm()
        .into_iter()
        .zip(truth.patches_px.iter().copied())
        .collect();
    for (place, tag) in truth.tags_px.iter().enumerate() {
        known.extend(
            card.card
                .tag_corners_mm(place)
                .into_iter()
                .zip(tag.iter().copied()),
        );
    }
    let corners = card.corners.iter().filter(|c| c.kind == kind);
    corners
        .map(|c| {
            let true_px = known
                .iter()
                .find(|k| (k.0 - c.on_card_mm).norm() < 1e-9)
                .unwrap()
                .1;
            let e = c.in_photo_px - true_px;
            let u2 = (c.covariance_px2.try_inverse().unwrap() * e).dot(&e);
            (e.norm(), u2)
        })
        .collect()
}

/// A survey by hand: `SEEDS=0..40 MP=3 TILT=50..60 cargo test --test card_detect -- --ignored --nocapture survey`.
#[test]
#[ignore = "a survey to read, minutes long"]
fn survey_of_practice_photos() {
    let var = |name: &str, default: &str| std::env::var(name).unwrap_or(default.into());
    let seeds = var("SEEDS", "0..10");
    let (from, to) = seeds.split_once("..").unwrap();
    let megapixels: f64 = var("MP", "3").parse().unwrap();
    let between = |name: &str, default: [f64; 2]| match var(name, "").split_once("..") {
        Some((a, b)) => [a.parse().unwrap(), b.parse().unwrap()],
        None => default,
    };
    let range = SceneRange {
        card_curl_mm: var("CURL", "0").parse().unwrap(),
        k1: between("K1", SceneRange::issue_range().k1),
        tilt_deg: between("TILT", SceneRange::issue_range().tilt_deg),
        blur_px: between("BLUR", SceneRange::issue_range().blur_px),
        mm_per_px: between("SCALE", SceneRange::issue_range().mm_per_px),
        objects: var("OBJECTS", "0.1").parse().unwrap(),
        ..SceneRange::issue_range().with_megapixels(megapixels)
    };
    let mut all = Vec::new();
    let (mut cards, mut found_cards, mut patches) = (0, 0, (0, 0));
    for seed in from.parse::<u64>().unwrap()..to.parse().unwrap() {
        let mut scene = Scene::random(seed, &range);
        if std::env::var("BARE").is_ok() {
            scene.cards.clear();
        }
        let made = render(&scene, &trial_design());
        let grey = luma(&made.photo);
        let start = std::time::Instant::now();
        let found = find_cards(&grey, &DetectOptions::default());
        let took = start.elapsed();
        println!(
            "seed {seed}: blur {:.2} motion {:.1} sharpen {:.1} q {} tilt {:.0} mm/px {:.2} k1 {:.3} objects {} | {took:.0?}",
            scene.picture.blur_px,
            scene.picture.motion_px,
            scene.picture.sharpen,
            scene.picture.jpeg_quality,
            scene.camera.tilt_deg,
            scene.camera.mm_per_px,
            scene.camera.k1,
            scene.objects.len(),
        );
        cards += made.truth.cards.len();
        let found = match found {
            Ok(found) => found,
            Err(e) => {
                println!("   {e}");
                continue;
            }
        };
        for w in &found.warnings {
            println!("   warning: {w}");
        }
        for truth in &made.truth.cards {
            let Some(card) = found.cards.iter().find(|c| c.card == truth.card) else {
                println!(
                    "   {} not found, share in view {:.2}",
                    truth.card, truth.share_in_view
                );
                continue;
            };
            found_cards += 1;
            let e = errors(card, truth, CornerKind::Patch);
            let t = errors(card, truth, CornerKind::Tag);
            patches.0 += e.len();
            patches.1 += truth.patches_px.len();
            let n = e.len() as f64;
            let rms = (e.iter().map(|e| e.0 * e.0).sum::<f64>() / n).sqrt();
            let u2 = e.iter().map(|e| e.1).sum::<f64>() / n;
            let worst = e.iter().map(|e| e.0).fold(0.0, f64::max);
            let curl = scene
                .cards
                .iter()
                .find(|c| c.card == card.card)
                .map_or(0.0, |c| c.curl_mm);
            println!(
                "   {}: {} patches of {}, tags {} of {}, view {:.2}; rms {rms:.4} worst {worst:.3} u2 {u2:.2} blur {:.2} curl {curl:.2} tag corners {} rms {:.3} u2 {:.2}",
                card.card,
                e.len(),
                truth.patches_px.len(),
                card.tags.len(),
                truth.tags_px.len(),
                truth.share_in_view,
                found.blur_px.unwrap_or(0.0),
                t.len(),
                (t.iter().map(|e| e.0 * e.0).sum::<f64>() / t.len().max(1) as f64).sqrt(),
                t.iter().map(|e| e.1).sum::<f64>() / t.len().max(1) as f64,
            );
            all.extend(e);
        }
        for card in &found.cards {
            assert!(
                made.truth.cards.iter().any(|t| t.card == card.card),
                "{} is not there",
                card.card
            );
        }
    }
    let n = all.len() as f64;
    println!(
        "cards {found_cards} of {cards}, patches {} of {}, rms {:.4} px, mean u2 {:.2} (2 expected), beyond 3 u {:.2} %",
        patches.0,
        patches.1,
        (all.iter().map(|e| e.0 * e.0).sum::<f64>() / n).sqrt(),
        all.iter().map(|e| e.1).sum::<f64>() / n,
        100.0 * all.iter().filter(|e| e.1 > 9.0).count() as f64 / n,
    );
}

#[allow(unused)]
fn unused(_: CardId, _: Truth) {}
