//! The overlay on an invented photo. `ROWSIGHT_SHOW_OVERLAY=folder cargo test overlay` writes the
//! pictures there, to be looked at.

use super::*;
use crate::record::Stretch;
use crate::report::terminal::tests::example;
use crate::units::LengthUnit;

/// A pinhole camera above the quilt, looking down it at a slant.
fn photo_from_quilt(width: f64) -> impl Fn(Point2) -> Option<Point2> {
    move |point: Point2| {
        let scale = width / 4000.0;
        let (x, y) = (point.x + 20.0, point.y + 90.0);
        let depth = 1.0 + 0.0001 * x - 0.0006 * y;
        let turned = (x + 0.03 * y, y - 0.03 * x);
        (depth > 0.1).then(|| {
            Point2::new(
                scale * (2000.0 + 2.9 * turned.0 / depth),
                scale * (1500.0 + 2.9 * turned.1 / depth),
            )
        })
    }
}

/// Height of the newest gaps: the record's example, as a baseline y(x) for row 5, 6 or 7.
fn baseline(row: u32, x: f64) -> f64 {
    match row {
        5 => -307.0 - 0.001 * x,
        6 => -154.4 - 0.0012 * x,
        _ => 0.0 + 0.0007 * x - 0.4 * (1.0 - (x / 600.0).powi(2)),
    }
}

fn row(number: u32) -> OverlayRow {
    let steps = || (0..=2400).map(|i| -610.0 + 0.5 * f64::from(i));
    let design = |x: f64| {
        let phase = x / 254.0 * std::f64::consts::TAU + 3.1 * f64::from(number);
        Point2::new(
            x + 25.0 * (2.0 * phase).sin(),
            baseline(number, x) + 62.0 * phase.sin(),
        )
    };
    let stretch = |from: f64, to: f64| -> Vec<Point2> {
        steps()
            .filter(|x| (from..to).contains(x))
            .map(design)
            .collect()
    };
    let newest = number == 7;
    OverlayRow {
        number,
        line_mm: vec![steps().map(design).collect()],
        baseline_mm: steps()
            .map(|x| Point2::new(x, baseline(number, x)))
            .collect(),
        planned_baseline_mm: newest.then(|| {
            steps()
                .map(|x| Point2::new(x, baseline(6, x) + 152.4))
                .collect()
        }),
        missed: if newest {
            vec![stretch(310.0, 355.0)]
        } else {
            Vec::new()
        },
        weak: if number == 6 {
            vec![stretch(-420.0, -300.0)]
        } else {
            Vec::new()
        },
    }
}

/// Cloth in patches, light and dark, with the rows stitched on it and a card.
fn photo(width: u32, height: u32) -> RgbImage {
    let mut photo = RgbImage::from_fn(width, height, |x, y| {
        let patch = (x / (width / 7) + y / (height / 5)) % 4;
        let base: [i32; 3] = [
            [232, 226, 214],
            [58, 74, 104],
            [196, 150, 130],
            [120, 140, 118],
        ][patch as usize];
        let weave = ((x % 5) as i32 - 2) * 3 + ((y % 4) as i32 - 2) * 3;
        Rgb(base.map(|channel| (channel + weave).clamp(0, 255) as u8))
    });
    let to_photo = photo_from_quilt(f64::from(width));
    let mut canvas = Canvas::new(std::mem::take(&mut photo));
    let thread = Ink {
        colour: [246, 240, 228],
        width_px: 4.0 * width as f32 / 4000.0,
        casing: [60, 50, 40],
        casing_px: 1.0,
        opacity: 0.6,
    };
    for number in 5..=7 {
        let line = row(number)
            .line_mm
            .iter()
            .flatten()
            .filter_map(|point| to_photo(*point))
            .collect();
        canvas.stroke(&[line], thread);
    }
    canvas.fill(&card(width), [250, 250, 250]);
    canvas.finish()
}

fn card(width: u32) -> Vec<Point2> {
    let to_photo = photo_from_quilt(f64::from(width));
    [
        (-140.0, 110.0),
        (91.0, 112.0),
        (90.0, 288.0),
        (-141.0, 286.0),
    ]
    .iter()
    .filter_map(|(x, y)| to_photo(Point2::new(*x, *y)))
    .collect()
}

fn drawn(photo: &RgbImage, record: &Record, plan: &Plan) -> RgbImage {
    let to_photo = photo_from_quilt(f64::from(photo.width()));
    let rows = [5, 6, 7].map(row);
    let cards_px = [card(photo.width())];
    draw(&Overlay {
        title: None,
        photo,
        photo_scale: 1.0,
        photo_from_quilt: &to_photo,
        rows: &rows,
        cards_px: &cards_px,
        record,
        plan,
        name: &record.photos[0].path,
    })
}

/// The example check with the gap above it as well.
fn two_gaps(unit: LengthUnit) -> (Record, Plan) {
    let (mut record, plan) = example(unit);
    let mut upper = record.gaps[0].clone();
    (upper.from_row, upper.to_row) = (5, 6);
    for (place, value) in upper.spacing.iter_mut().zip([152.6, 152.4, 151.9]) {
        place.value = value;
    }
    record.gaps.insert(0, upper);
    (record, plan)
}

fn show(picture: &RgbImage, name: &str) {
    if let Some(folder) = std::env::var_os("ROWSIGHT_SHOW_OVERLAY") {
        picture
            .save(std::path::Path::new(&folder).join(name))
            .unwrap();
    }
}

fn count(picture: &RgbImage, colour: Colour) -> usize {
    picture.pixels().filter(|pixel| pixel.0 == colour).count()
}

#[test]
fn the_check_is_drawn_between_a_caption_and_a_legend() {
    let photo = photo(4000, 3000);
    let (record, plan) = two_gaps(LengthUnit::Inch);
    let start = std::time::Instant::now();
    let picture = drawn(&photo, &record, &plan);
    if std::env::var_os("ROWSIGHT_SHOW_OVERLAY").is_some() {
        eprintln!("overlay of 12 megapixels: {:.0?}", start.elapsed());
    }
    show(&picture, "trim-inch.png");
    assert_eq!(picture.width(), 1600);
    assert!(
        (1350..1750).contains(&picture.height()),
        "{}",
        picture.height()
    );
    // Each kind of line and plate has left its colour; the missed part and the gap beyond are marked.
    for colour in [
        YELLOW,
        VERMILION,
        REDDISH_PURPLE,
        BLUISH_GREEN,
        WHITE,
        NIGHT,
    ] {
        assert!(count(&picture, colour) > 200, "{colour:?}");
    }
}

/// The stretch is where the record says, on the row's own design, and named in picture and legend.
#[test]
fn what_was_stitched_off_the_design_is_drawn_along_it() {
    let photo = photo(1600, 1200);
    let (mut record, plan) = two_gaps(LengthUnit::Inch);
    let [from_mm, to_mm] = [-250.0, -120.0];
    let before = count(&drawn(&photo, &record, &plan), ORANGE);
    record.rows[1].off_design = vec![OffDesign {
        from_mm,
        to_mm,
        off_mm: 14.0,
    }];
    let picture = drawn(&photo, &record, &plan);
    show(&picture, "off-design.png");
    let after = count(&picture, ORANGE);
    assert!(after > before + 500, "{before} and {after} px");

    let pieces = design_within(&row(7), &record.rows[1], &record.rows[1].off_design[0]);
    let xs = || pieces.iter().flatten().map(|p| p.x);
    let (least, most) = (
        xs().fold(f64::INFINITY, f64::min),
        xs().fold(f64::NEG_INFINITY, f64::max),
    );
    assert!(
        (least - from_mm).abs() < 1.0 && (most - to_mm).abs() < 1.0,
        "{least} to {most}"
    );
    // A record whose x counts from elsewhere.
    let mut moved = record.rows[1].clone();
    moved.seen_from_mm += 300.0;
    moved.off_design[0].from_mm += 300.0;
    moved.off_design[0].to_mm += 300.0;
    assert_eq!(design_within(&row(7), &moved, &moved.off_design[0]), pieces);
}

#[test]
fn lines_lie_on_the_photo_where_the_quilt_says() {
    let photo = RgbImage::from_pixel(1600, 1200, Rgb([90, 90, 90]));
    let (mut record, plan) = example(LengthUnit::Millimetre);
    record.gaps.clear();
    record.rows.clear();
    let to_photo = photo_from_quilt(1600.0);
    let rows = [OverlayRow {
        number: 7,
        baseline_mm: row(7).baseline_mm,
        ..Default::default()
    }];
    let picture = draw(&Overlay {
        title: None,
        photo: &photo,
        photo_scale: 1.0,
        photo_from_quilt: &to_photo,
        rows: &rows,
        cards_px: &[],
        record: &record,
        plan: &plan,
        name: "plain.jpg",
    });
    // The photo starts below the caption: the first row of pixels that is grey in its last column.
    let top = (0..picture.height())
        .find(|y| picture.get_pixel(1599, *y).0 == [90; 3])
        .unwrap();
    for x_mm in [-300.0, 0.0, 250.0, 500.0] {
        let expected = to_photo(Point2::new(x_mm, baseline(7, x_mm))).unwrap();
        let column = expected.x as u32;
        let light = |y: u32| f64::from(picture.get_pixel(column, y + top)[0].saturating_sub(90));
        let rows = || (expected.y as u32 - 8)..(expected.y as u32 + 8);
        let ink: f64 = rows().map(light).sum();
        let y = rows().map(|y| (f64::from(y) + 0.5) * light(y)).sum::<f64>() / ink;
        // The line slopes by a few hundredths within one column.
        assert!(
            (y - expected.y).abs() < 0.2,
            "at {x_mm} mm: {y} instead of {expected}"
        );
    }
}

#[test]
fn every_verdict_and_shape_of_photo_can_be_drawn() {
    let cases = [
        (Action::CarryOn, 1200, 1600, "carry-on-portrait.png"),
        (Action::ReSquare, 800, 600, "re-square-small.png"),
        (Action::Retake, 320, 240, "retake-tiny.png"),
    ];
    for (action, width, height, name) in cases {
        let (mut record, plan) = two_gaps(LengthUnit::Millimetre);
        record.verdict.action = action;
        if action == Action::Retake {
            record.verdict.next_advance_mm = None;
        }
        record.rows[1].missed = vec![Stretch {
            from_mm: 310.0,
            to_mm: 355.0,
        }];
        let picture = drawn(&photo(width, height), &record, &plan);
        show(&picture, name);
        assert_eq!(picture.width(), width);
        assert!(count(&picture, action_colour(action)) > 100, "{name}");
    }
}

#[test]
fn a_photo_in_which_nothing_was_found_is_drawn_with_its_verdict() {
    let (mut record, plan) = example(LengthUnit::Inch);
    record.rows.clear();
    record.gaps.clear();
    let behind = |_: Point2| None;
    let picture = draw(&Overlay {
        title: None,
        photo: &RgbImage::from_pixel(640, 480, Rgb([200; 3])),
        photo_scale: 1.0,
        photo_from_quilt: &behind,
        rows: &[],
        cards_px: &[],
        record: &record,
        plan: &plan,
        name: "",
    });
    assert_eq!(picture.width(), 640);
    assert!(picture.height() > 480);
}
