//! Practice photos of a printed paper design: lines on a sheet that lies on a table, with a card.
//!
//! Frame of the paper: x along the roll from the sheet's middle, s down it, mm, as the fabric frame of a
//! [`Scene`]; the scene's band is the sheet, its sag the sheet's curl.

use super::fabric::{cover, linear};
use super::scene::{
    Around, Band, CameraHeld, CardOnQuilt, Colour, Fabric, FabricClass, Light, Picture, Puff,
    Quilt, Rail, Scene,
};
use super::seeded::{Seeded, derive, short_seed};
use crate::card::geometry::CardId;
use crate::design::{Design, demo};
use crate::geometry::{Point2, Vector2};

/// One printed line.
#[derive(Debug, Clone, PartialEq)]
pub struct PrintedLine {
    /// Its course on the paper, mm.
    pub points: Vec<Point2>,
    /// Its width, mm.
    pub width_mm: f64,
    /// Its colour, sRGB 0…1.
    pub colour: Colour,
    /// Length of its dashes and of the gaps between them, mm; unbroken without.
    pub dash_mm: Option<[f64; 2]>,
}

/// A paper with rows of one design printed on it, and the scene around it.
#[derive(Debug, Clone)]
pub struct PracticePaper {
    /// Sheet, card, light, camera.
    pub scene: Scene,
    /// Everything printed: the design's rows first.
    pub print: Vec<PrintedLine>,
    /// The design.
    pub design: Design,
    /// Where a repeat of each row starts on the paper, mm.
    pub rows: Vec<Point2>,
}

/// Side of a square of the map in which segments are looked up, mm.
const SQUARE_MM: f64 = 4.0;

struct Segment {
    from: Point2,
    to: Point2,
    along_mm: f64,
    line: usize,
}

/// Printed lines ready to be looked up.
pub(super) struct PrintMap {
    segments: Vec<Segment>,
    lines: Vec<(f32, Colour, Option<[f64; 2]>)>,
    squares: std::collections::HashMap<(i32, i32), Vec<u32>>,
}

impl PrintMap {
    pub(super) fn new(print: &[PrintedLine]) -> PrintMap {
        let mut map = PrintMap {
            segments: Vec::new(),
            lines: Vec::new(),
            squares: Default::default(),
        };
        for (line, printed) in print.iter().enumerate() {
            let half = printed.width_mm / 2.0;
            map.lines
                .push((half as f32, linear(printed.colour), printed.dash_mm));
            let mut along_mm = 0.0;
            for pair in printed.points.windows(2) {
                let (from, to) = (pair[0], pair[1]);
                let index = map.segments.len() as u32;
                let square = |v: f64| (v / SQUARE_MM).floor() as i32;
                // A millimetre more than the line for its soft edge.
                let reach = half + 1.0;
                for i in square(from.x.min(to.x) - reach)..=square(from.x.max(to.x) + reach) {
                    for j in square(from.y.min(to.y) - reach)..=square(from.y.max(to.y) + reach) {
                        map.squares.entry((i, j)).or_default().push(index);
                    }
                }
                map.segments.push(Segment {
                    from,
                    to,
                    along_mm,
                    line,
                });
                along_mm += (to - from).norm();
            }
        }
        map
    }

    /// The paper's colour with what is printed at a place, for a pixel `fp` mm wide.
    pub(super) fn over(&self, paper: Colour, place: Point2, fp: f32) -> Colour {
        let square = |v: f64| (v / SQUARE_MM).floor() as i32;
        let Some(near) = self.squares.get(&(square(place.x), square(place.y))) else {
            return paper;
        };
        let mut darkest = (0f32, paper);
        for segment in near.iter().map(|i| &self.segments[*i as usize]) {
            let d = segment.to - segment.from;
            let t = ((place - segment.from).dot(&d) / d.norm_squared().max(1e-12)).clamp(0.0, 1.0);
            let (half, colour, dash) = &self.lines[segment.line];
            let distance = (place - (segment.from + d * t)).norm() as f32;
            // A line thinner than the pixel never covers it.
            let mut alpha = cover(half - distance, fp) * (2.0 * half / fp).min(1.0);
            if let Some([on, off]) = dash {
                let along = (segment.along_mm + t * d.norm()).rem_euclid(on + off);
                alpha *= cover((along.min(on - along)) as f32, fp);
            }
            if alpha > darkest.0 {
                darkest = (alpha, *colour);
            }
        }
        let (alpha, ink) = darkest;
        std::array::from_fn(|i| paper[i] + (ink[i] - paper[i]) * alpha)
    }
}

/// A row of a design from `start`, cut off at the sheet's ends.
fn row(design: &Design, start: Point2, from_x: f64, to_x: f64) -> Vec<Point2> {
    let repeats = ((to_x - from_x) / design.repeat_mm) as i64 + 4;
    let first = ((from_x - start.x) / design.repeat_mm).floor() as i64 - 1;
    let whole: Vec<Point2> = (first..first + repeats)
        .flat_map(|k| {
            let by = start.coords + Vector2::new(k as f64 * design.repeat_mm, 0.0);
            design.curve_mm[1..].iter().map(move |p| p + by)
        })
        .collect();
    let inside = |p: &&Point2| p.x >= from_x && p.x <= to_x;
    let begin = whole.iter().position(|p| inside(&p)).unwrap_or(0);
    let end = whole.iter().rposition(|p| inside(&p)).unwrap_or(0);
    whole[begin..=end].to_vec()
}

/// A word of made-up letters: strokes on a grid of 2 × 3 points.
fn word(
    rng: &mut Seeded,
    at: Point2,
    letters: usize,
    size: f64,
    colour: Colour,
) -> Vec<PrintedLine> {
    (0..letters)
        .map(|n| {
            let points = (0..4)
                .map(|_| {
                    let (i, j) = (rng.below(2) as f64, rng.below(3) as f64);
                    at + Vector2::new(size * (0.8 * n as f64 + 0.5 * i), size * 0.5 * j)
                })
                .collect();
            PrintedLine {
                points,
                width_mm: 0.12 * size,
                colour,
                dash_mm: None,
            }
        })
        .collect()
}

/// A random paper: one row or two of a practice design, black, grey, coloured or dashed, with words and
/// guide lines beside it, seen from above at a slant of up to 30 degrees; `megapixels` sets the picture's
/// size, and the view shrinks with it.
pub fn practice_paper(seed: u64, megapixels: f64) -> PracticePaper {
    let mut rng = Seeded::new(derive(seed, 71));
    let name = demo::NAMES[rng.below(demo::NAMES.len())];
    let camera = CameraHeld {
        megapixels,
        focal_35mm: rng.between(24.0, 28.0),
        mm_per_px: rng.between(0.3, 0.45),
        target_x_mm: rng.between(-30.0, 30.0),
        target_s_mm: 500.0 + rng.between(-20.0, 20.0),
        tilt_deg: rng.between(0.0, 30.0),
        from_deg: rng.between(-60.0, 60.0),
        roll_deg: rng.between(-8.0, 8.0),
        off_centre: [rng.between(-0.008, 0.008), rng.between(-0.008, 0.008)],
        k1: rng.between(-0.06, 0.04),
        k2: 0.0,
    };
    let (width_px, height_px) = camera.size_px();
    let (wide, high) = (
        f64::from(width_px) * camera.mm_per_px,
        f64::from(height_px) * camera.mm_per_px,
    );
    // Two and a half to four repeats in view, and what is left beside the card's 210 mm is paper.
    let repeat = wide / rng.between(2.5, 4.0);
    let two = rng.chance(0.5);
    let room = (high * 0.92 - 215.0).max(150.0);
    let rows_high = if two { 2.25 } else { 1.25 };
    let height = (repeat * rng.between(0.4, 0.7)).min(room / rows_high);
    let design = demo::by_name(name, repeat, height).unwrap_or(Design {
        curve_mm: Vec::new(),
        repeat_mm: repeat,
        breaks: Vec::new(),
    });
    // The card lies beside the sheet, on its free edge, or by mistake on the line.
    let (margin, card_off) = match rng.below(8) {
        0..=4 => (10.0, 115.0),
        5..=6 => (60.0, 90.0),
        _ => (10.0, 50.0),
    };
    let rows_mm = rows_high * height;
    let sheet_high = rows_mm + margin;
    // The sheet lies in the upper part of the view, the card below it or on its lower edge.
    let middle_s = 500.0 - (high * 0.92 - sheet_high) / 2.0 + rng.between(0.0, 20.0);
    let sheet_long = wide * rng.between(0.85, 1.3);
    let (x0, x1) = (-sheet_long / 2.0, sheet_long / 2.0);
    let start_x = rng.between(-0.5, 0.5) * repeat;
    let spacing = 1.12 * height;
    let rows_s = middle_s - (margin - 10.0) / 2.0;
    let rows: Vec<Point2> = if two {
        let stagger = [0.0, 0.5][rng.below(2)] * repeat;
        vec![
            Point2::new(start_x, rows_s - spacing / 2.0),
            Point2::new(start_x + stagger, rows_s + spacing / 2.0),
        ]
    } else {
        vec![Point2::new(start_x, rows_s)]
    };
    let inks: [Colour; 6] = [
        [0.08, 0.08, 0.09],
        [0.08, 0.08, 0.09],
        [0.45, 0.45, 0.46],
        [0.60, 0.60, 0.60],
        [0.15, 0.30, 0.65],
        [0.75, 0.25, 0.25],
    ];
    let colour = inks[rng.below(inks.len())];
    let width_mm = if rng.chance(0.3) {
        rng.between(1.5, 3.0)
    } else {
        rng.between(0.5, 1.5)
    };
    let dash_mm = rng
        .chance(0.2)
        .then(|| [rng.between(4.0, 7.0), rng.between(1.5, 3.0)]);
    let mut print: Vec<PrintedLine> = rows
        .iter()
        .map(|start| PrintedLine {
            points: row(&design, *start, x0 + 4.0, x1 - 4.0),
            width_mm,
            colour,
            dash_mm,
        })
        .collect();
    // A guide line along each edge of the rows, and words in the margin.
    if rng.chance(0.5) {
        for s in [
            middle_s - sheet_high / 2.0 + 4.0,
            rows_s + rows_mm / 2.0 + 1.0,
        ] {
            print.push(PrintedLine {
                points: vec![Point2::new(x0 + 5.0, s), Point2::new(x1 - 5.0, s)],
                width_mm: 0.4,
                colour,
                dash_mm: rng.chance(0.5).then_some([3.0, 2.0]),
            });
        }
    }
    for _ in 0..3 {
        let at = Point2::new(
            rng.between(x0 + 20.0, x1 - 60.0),
            middle_s - sheet_high / 2.0 + rng.between(6.0, 9.0),
        );
        let letters = 3 + rng.below(7);
        print.extend(word(&mut rng, at, letters, 4.0, colour));
    }
    let paper = rng.between(0.86, 0.96) as f32;
    let card_s = middle_s + sheet_high / 2.0 + card_off;
    let scene = Scene {
        seed,
        quilt: Quilt {
            seed: short_seed(seed, 72),
            width_mm: sheet_long,
            length_mm: 3000.0,
            ..Quilt::default()
        },
        band: Band {
            middle_s_mm: middle_s,
            depth_mm: sheet_high,
            sag_mm: rng.between(-2.0, 2.0),
            // The ends of a sheet cut off a roll stand up or the middle does.
            sag_across_mm: rng.between(-5.0, 5.0),
            ripple_mm: rng.between(0.0, 0.3),
            ripple_wavelength_mm: rng.between(120.0, 250.0),
        },
        rows: Vec::new(),
        puff: Puff {
            groove_mm: 5.0,
            depth_mm: 0.0,
            puckers: 0.0,
        },
        fabric: Fabric {
            class: FabricClass::Solid,
            colour: [paper, paper, paper * rng.between(0.93, 1.0) as f32],
            weave: 0.05,
            ..Fabric::default()
        },
        light: Light {
            from_deg: rng.between(0.0, 360.0),
            elevation_deg: rng.between(25.0, 65.0),
            diffuse: rng.between(0.4, 0.9) as f32,
            gradient: rng.between(0.0, 0.6) as f32,
            gradient_deg: rng.between(0.0, 360.0),
            mixed: rng.between(0.0, 0.4) as f32,
            exposure: rng.between(0.55, 0.85) as f32,
            shadow_s_mm: middle_s + rng.between(-0.3, 0.3) * sheet_high,
            shadow: if rng.chance(0.3) { 0.7 } else { 1.0 },
            ..Light::default()
        },
        cards: vec![CardOnQuilt {
            card: CardId::Sheet(1 + rng.below(20) as u16),
            x_mm: camera.target_x_mm + rng.between(-0.15, 0.15) * wide,
            s_mm: card_s,
            angle_deg: rng.between(-5.0, 5.0),
            height_mm: rng.between(0.5, 4.0),
            rock_x_deg: rng.between(-0.2, 0.2),
            rock_y_deg: rng.between(-0.2, 0.2),
            bar_mm: rng.between(148.5, 150.5),
            y_to_x: 1.0 + rng.between(-0.0005, 0.0005),
            ..CardOnQuilt::default()
        }],
        around: Around {
            top: Rail::Dark,
            bottom: Rail::Dark,
            rail_mm: 0.01,
            floor: [rng.between(0.2, 0.75) as f32; 3],
            batting_mm: 0.0,
        },
        picture: Picture {
            blur_px: rng.between(0.6, 1.4),
            vignetting: rng.between(0.0, 0.3) as f32,
            shot_noise: rng.between(5e-5, 4e-4) as f32,
            jpeg_quality: rng.between(80.0, 95.0) as u8,
            ..Picture::default()
        },
        camera,
        ..Scene::default()
    };
    PracticePaper {
        scene,
        print,
        design,
        rows,
    }
}

/// RMS distance of a traced repeat from the endless printed line after the best shift, mm: by a search of its
/// own over every chord of the printed line.
pub fn distance_rms_mm(traced: &Design, printed: &Design) -> f64 {
    let repeat = printed.repeat_mm;
    let chords: Vec<(Point2, Point2)> = (-2..=3)
        .flat_map(|k| {
            let by = Vector2::new(f64::from(k) * repeat, 0.0);
            printed
                .curve_mm
                .windows(2)
                .map(move |w| (w[0] + by, w[1] + by))
        })
        .collect();
    let nearest = |p: Point2| -> Vector2 {
        chords
            .iter()
            .map(|(a, b)| {
                let way = b - a;
                let t = ((p - a).dot(&way) / way.norm_squared().max(1e-12)).clamp(0.0, 1.0);
                a + way * t - p
            })
            .min_by(|a, b| a.norm_squared().total_cmp(&b.norm_squared()))
            .unwrap_or_default()
    };
    let points: Vec<Point2> = traced.sample(4.0).iter().map(|d| d.position).collect();
    let fit = |mut shift: Vector2, rounds: usize| -> f64 {
        let mut square = 0.0;
        for _ in 0..rounds {
            let offs: Vec<Vector2> = points.iter().map(|p| nearest(p + shift)).collect();
            square = offs.iter().map(|o| o.norm_squared()).sum::<f64>() / offs.len() as f64;
            // Distances are along normals: full steps of the mean offset are short, so over-relaxed.
            shift += offs.iter().sum::<Vector2>() / offs.len() as f64 * 1.6;
        }
        square.sqrt()
    };
    let starts: Vec<f64> = (0..24).map(|k| f64::from(k) / 24.0 * repeat).collect();
    let best = starts
        .iter()
        .min_by(|a, b| fit(Vector2::new(**a, 0.0), 3).total_cmp(&fit(Vector2::new(**b, 0.0), 3)))
        .copied()
        .unwrap_or(0.0);
    fit(Vector2::new(best, 0.0), 60)
}
