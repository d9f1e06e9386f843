//! scratch
use image::GrayImage;
use rowsight::card::geometry as cg;
use rowsight::card::{CardInPhoto, CornerInPhoto, CornerKind};
use rowsight::design::{Design, demo};
use rowsight::geometry::{Point2, homography::Homography};
use rowsight::photo::CaptureFacts;
use rowsight::plane::joint::Priors;
use rowsight::plane::start::camera_prior;
use rowsight::rehearse::Truth;
use rowsight::rehearse::trial_design;
use rowsight::row::measure::{Job, PhotoView, measure};
use std::time::Instant;

fn design_of(seed: u64, spacing_mm: f64) -> Design {
    let height_mm = spacing_mm * (0.6 + 0.35 * ((seed * 37 % 101) as f64 / 100.0));
    let repeat_mm = 170.0 + 140.0 * ((seed * 61 % 97) as f64 / 96.0);
    match demo::NAMES.get((seed % 5) as usize) {
        Some(name) => demo::by_name(name, repeat_mm, height_mm).expect("a known name"),
        None => trial_design(),
    }
}

/// Photo place of a fabric point by a local homography through the nearest known places.
fn local(
    truth: &Truth,
    key: impl Fn(usize) -> Point2,
    value: impl Fn(usize) -> Point2,
    at: Point2,
) -> Point2 {
    let mut order: Vec<usize> = (0..truth.places.len()).collect();
    order.sort_by(|&a, &b| (key(a) - at).norm().total_cmp(&(key(b) - at).norm()));
    let near = &order[..9];
    let (a, b): (Vec<Point2>, Vec<Point2>) = near.iter().map(|&i| (key(i), value(i))).unzip();
    Homography::from_points(&a, &b)
        .map(|h| h.apply(at))
        .unwrap_or(at)
}

fn main() {
    let dir = std::env::args().nth(1).unwrap();
    for seed in std::env::args().skip(2) {
        let seed: u64 = seed.parse().unwrap();
        let Ok(text) = std::fs::read_to_string(format!("{dir}/s{seed}.truth.json")) else {
            continue;
        };
        let truth: Truth = serde_json::from_str(&text).unwrap();
        let t0 = Instant::now();
        let luma: GrayImage = image::open(format!("{dir}/s{seed}.jpg"))
            .unwrap()
            .to_luma8();
        let t1 = Instant::now();
        let design = design_of(seed, truth.scene.quilt.spacing_mm);
        let mut rng: u64 = seed * 77 + 1;
        let mut noise = || {
            let mut s = 0.0;
            for _ in 0..12 {
                rng = rng
                    .wrapping_mul(6364136223846793005)
                    .wrapping_add(1442695040888963407);
                s += (rng >> 11) as f64 / (1u64 << 53) as f64;
            }
            (s - 6.0) * 0.05
        };
        let cards: Vec<CardInPhoto> = truth
            .cards
            .iter()
            .map(|c| {
                let pts = c.card.patches_mm();
                CardInPhoto {
                    card: c.card,
                    tags: vec![],
                    corners: pts
                        .iter()
                        .zip(&c.patches_px)
                        .filter(|(_, p)| {
                            p.x > 3.0
                                && p.y > 3.0
                                && p.x < truth.size_px[0] as f64 - 3.0
                                && p.y < truth.size_px[1] as f64 - 3.0
                        })
                        .map(|(p, px)| CornerInPhoto {
                            on_card_mm: *p,
                            in_photo_px: px + nalgebra::Vector2::new(noise(), noise()),
                            covariance_px2: nalgebra::Matrix2::identity() * 0.0025,
                            kind: CornerKind::Patch,
                        })
                        .collect(),
                }
            })
            .collect();
        if cards.is_empty() {
            println!("s{seed}: no cards");
            continue;
        }
        let facts = CaptureFacts {
            focal_length_35mm: Some(truth.scene.camera.focal_35mm.round()),
            ..Default::default()
        };
        let camera = camera_prior(&facts, luma.width(), luma.height());

        let views = [PhotoView {
            luma: &luma,
            cards: &cards,
            camera,
        }];
        let job = Job {
            photos: &views,
            design: &design,
            spacing_mm: truth.scene.quilt.spacing_mm,
            stagger: truth.scene.quilt.stagger,
            card_bar_mm: truth.scene.cards[0].bar_mm,
            priors: Priors::default(),
        };
        let t2 = Instant::now();
        let m = match measure(&job) {
            Ok(m) => m,
            Err(e) => {
                println!("s{seed} {:?} ERROR {e}", truth.scene.fabric.class);
                continue;
            }
        };
        let t3 = Instant::now();
        println!(
            "s{seed} {:?} {} measure {:.0} ms next {:?} decoy {:.1} height {:?} stretch {:?} true {:.4} {:.4}",
            truth.scene.fabric.class,
            truth
                .cards
                .iter()
                .map(|c| c.card.to_string())
                .collect::<Vec<_>>()
                .join("+"),
            (t3 - t2).as_secs_f64() * 1e3,
            m.next_score,
            m.decoy_score,
            m.state
                .cards
                .iter()
                .map(|c| (c.height * 10.0).round() / 10.0)
                .collect::<Vec<_>>(),
            m.state.stretch,
            truth.scene.quilt.stretch_x,
            truth.scene.quilt.stretch_y
        );
        let view = &m.views[0];
        let mut match_row = vec![];
        for (i, row) in m.rows.iter().enumerate() {
            let xs: Vec<f64> = row
                .trace
                .points
                .iter()
                .filter(|p| p.is_visible())
                .map(|p| p.on_quilt.x)
                .collect();
            let x = (xs.iter().cloned().fold(f64::MAX, f64::min)
                + xs.iter().cloned().fold(f64::MIN, f64::max))
                / 2.0;
            let px = view
                .photo_from_quilt(Point2::new(x, m.state.rows[i].y(x)))
                .unwrap();
            let fabric = local(
                &truth,
                |i| truth.places[i].photo_px,
                |i| truth.places[i].fabric_mm,
                px,
            );
            let best = truth
                .rows
                .iter()
                .map(|t| (fabric.y - t.stitched.s_at(fabric.x), t.row))
                .min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
                .unwrap();
            let tr = truth.row(best.1).unwrap();
            let mut ev: Vec<f32> = row
                .trace
                .points
                .iter()
                .filter(|p| p.is_visible())
                .map(|p| p.strength)
                .collect();
            ev.sort_by(f32::total_cmp);
            let q = |p: usize| ev[ev.len() * p / 100];
            println!(
                "    row {} score {:.1} -> {} off {:.1} wobble {:.2} (true {:.2}) infl {:.1} ev {:.1} {:.1} {:.1} {:.1} {:.1} cover {:.2} contrast {:.1} share {:.2}",
                row.index,
                row.score,
                best.1,
                best.0,
                row.wobble_mm,
                tr.wobble_mm,
                row.inflation,
                q(10),
                q(25),
                q(50),
                q(75),
                q(90),
                row.trace.points.iter().filter(|p| p.found).count() as f64 / ev.len() as f64,
                tr.contrast,
                tr.share_in_view
            );
            if std::env::var("CHUNKS").is_ok() {
                let mut by: std::collections::BTreeMap<
                    i64,
                    (nalgebra::Matrix2<f64>, nalgebra::Vector2<f64>, usize),
                > = Default::default();
                for p in row.trace.points.iter().filter(|p| p.found) {
                    let e = by.entry((p.on_quilt.x / 100.0).floor() as i64).or_insert((
                        nalgebra::Matrix2::zeros(),
                        nalgebra::Vector2::zeros(),
                        0,
                    ));
                    e.0 += p.normal * p.normal.transpose();
                    e.1 += p.normal * p.deviation_mm;
                    e.2 += 1;
                }
                print!("       ");
                for (k, (a, b, n)) in by {
                    if n > 40 {
                        if let Some(i) = a.try_inverse() {
                            let d = i * b;
                            print!(" {}:({:+.1},{:+.1})", k, d.x, d.y);
                        }
                    }
                }
                println!();
            }
            if best.0.abs() < 8.0 {
                match_row.push((best.1, i));
            }
        }
        if m.rows.is_empty() {
            continue;
        }
        let newest = truth.rows.last().unwrap().row;
        println!(
            "    newest {} {}",
            newest,
            if match_row.last().map(|r| r.0) == Some(newest) && match_row.len() == m.rows.len() {
                "ok"
            } else {
                "WRONG"
            }
        );
        for g in &truth.gaps {
            let (Some(a), Some(b)) = (
                match_row.iter().find(|r| r.0 == g.from_row),
                match_row.iter().find(|r| r.0 == g.to_row),
            ) else {
                continue;
            };
            let mut line = String::new();
            for s in &g.spacing {
                let fabric =
                    Point2::new(s.x_mm, truth.row(g.from_row).unwrap().stitched.s_at(s.x_mm));
                let px = local(
                    &truth,
                    |i| truth.places[i].fabric_mm,
                    |i| truth.places[i].photo_px,
                    fabric,
                );
                let Some(p) = view.quilt_from_photo(px) else {
                    continue;
                };
                let (ra, rb) = (m.state.rows[a.1], m.state.rows[b.1]);
                let value = rb.y(p.x) - ra.y(p.x);
                let (ia, ib) = (m.state.row_index(a.1), m.state.row_index(b.1));
                let mut grad = vec![0.0; m.covariance.nrows()];
                for (k, v) in [1.0, p.x, p.x * p.x].into_iter().enumerate() {
                    grad[ib + k] += v;
                    grad[ia + k] -= v;
                }
                let gv = nalgebra::DVector::from_vec(grad);
                let u = (gv.transpose() * &m.covariance * &gv)[(0, 0)].sqrt();
                let e = value - s.stitched_mm;
                line += &format!(
                    "  {:+.2}±{:.2} ({:+.1}u, set {:+.2})",
                    e,
                    u,
                    e / u,
                    value - s.set_mm
                );
                println!(
                    "DATA {seed} {e:.4} {u:.4} {:.4} {} {} {:.2} {:.2} {:.0} {:.0}",
                    value - s.set_mm,
                    g.from_row,
                    s.at as u8,
                    truth.row(g.from_row).unwrap().share_in_view,
                    truth.row(g.to_row).unwrap().share_in_view,
                    m.rows[a.1].trace.found_mm(),
                    m.rows[b.1].trace.found_mm()
                );
            }
            println!("    gap {}-{}:{line}", g.from_row, g.to_row);
        }
    }
}
