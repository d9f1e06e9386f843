use super::*;

fn svg(attributes: &str, body: &str) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" xmlns:xlink=\"http://www.w3.org/1999/xlink\" {attributes}>{body}</svg>"
    )
}

fn read_svg(attributes: &str, body: &str) -> Result<Imported, DesignError> {
    decode(svg(attributes, body).as_bytes(), None)
}

const WAVE: &str = "<path d=\"M0 0 C 20 -30 30 -30 50 0 S 80 30 100 0\"/>";

/// Units from CSS Values and Units Level 3, 5.2, table of absolute lengths: 1 in = 2.54 cm = 96 px,
/// 1 pc = 1/6 in, 1 pt = 1/72 in; SVG 2, 8.9 refers to it.
#[test]
fn svg_units_are_those_of_the_specification() {
    for (width, mm) in [
        ("100mm", 100.0),
        ("10cm", 100.0),
        ("4in", 101.6),
        ("288pt", 101.6),
        ("24pc", 101.6),
        ("384px", 101.6),
        ("384", 101.6),
    ] {
        let read = read_svg(
            &format!("width=\"{width}\" viewBox=\"0 -50 100 100\""),
            WAVE,
        )
        .unwrap();
        assert!(
            (read.design.repeat_mm - mm).abs() < 1e-6,
            "{width}: {}",
            read.design.repeat_mm
        );
    }
}

#[test]
fn a_design_without_a_size_needs_a_repeat_length() {
    assert_eq!(
        read_svg("viewBox=\"0 -50 100 100\"", WAVE),
        Err(DesignError::NoSize)
    );
    let read = decode(
        svg("viewBox=\"0 -50 100 100\"", WAVE).as_bytes(),
        Some(254.0),
    )
    .unwrap();
    assert!((read.design.repeat_mm - 254.0).abs() < 1e-9);
    // The curve of the frame of [`Design`]: from (0, y) to (repeat, y), half-way at 0.
    let curve = &read.design.curve_mm;
    let (first, last) = (curve[0], curve[curve.len() - 1]);
    assert!(first.x.abs() < 1e-9 && (last.x - 254.0).abs() < 1e-9);
    assert!((first.y - last.y).abs() < 1e-9);
}

/// SVG 1.1, 7.5: nested transforms multiply from the outside in; 7.6: translate, scale, rotate, matrix.
#[test]
fn nested_transforms_and_references_land_where_the_specification_says() {
    let plain = read_svg("width=\"100mm\" viewBox=\"0 -50 100 100\"", WAVE).unwrap();
    let body = "<defs><g id=\"half\" transform=\"scale(0.5)\"><path id=\"w\" \
        d=\"M0 0 C 40 -60 60 -60 100 0 S 160 60 200 0\"/></g></defs>\
        <g transform=\"translate(7,9) rotate(90)\"><g transform=\"rotate(-90)\"><use xlink:href=\"#half\"/></g></g>";
    let nested = read_svg("width=\"100mm\" viewBox=\"0 -50 100 100\"", body).unwrap();
    assert!((plain.design.repeat_mm - nested.design.repeat_mm).abs() < 1e-6);
    assert!((plain.design.height_mm() - nested.design.height_mm()).abs() < 0.02);
}

/// SVG 1.1, 8.3.8: an arc of radius 25 between points 50 apart is half a circle; sweep 1 goes clockwise
/// on screen, so over the top when drawn left to right. Its length is 25π.
#[test]
fn svg_arcs_are_arcs() {
    let body = "<path d=\"M0 0 A 25 25 0 0 1 50 0 A 25 25 0 0 0 100 0\"/>";
    let read = read_svg("width=\"100mm\" viewBox=\"0 -50 100 100\"", body).unwrap();
    assert!((read.design.arc_mm() - 50.0 * std::f64::consts::PI).abs() < 0.05);
    assert!((read.design.height_mm() - 50.0).abs() < 0.02);
    let quarter = read
        .design
        .curve_mm
        .iter()
        .min_by(|a, b| a.y.total_cmp(&b.y))
        .unwrap();
    assert!(
        (quarter.x - 25.0).abs() < 1.0,
        "the top lies over the first half"
    );
}

#[test]
fn pieces_in_any_order_and_direction_join_and_gaps_are_named() {
    let body = "<line x1=\"100\" y1=\"0\" x2=\"60\" y2=\"20\"/><polyline points=\"30,-20 60.1,20\"/>\
                <path d=\"M0 0L30 -20\"/>";
    let read = read_svg("width=\"100mm\" viewBox=\"0 -50 100 100\"", body).unwrap();
    assert!((read.design.repeat_mm - 100.0).abs() < 1e-9);
    assert!((read.design.height_mm() - 40.0).abs() < 1e-9);
    let apart = "<path d=\"M0 0L30 -20\"/><path d=\"M40 -20L100 0\"/>";
    let error = read_svg("width=\"100mm\" viewBox=\"0 -50 100 100\"", apart).unwrap_err();
    assert!(
        matches!(error, DesignError::Pieces { pieces: 2, gap_mm, .. } if (gap_mm - 10.0).abs() < 1e-6)
    );
}

#[test]
fn a_repeat_that_does_not_lead_on_is_complained_about() {
    let size = "width=\"100mm\" viewBox=\"0 -50 100 100\"";
    let low = read_svg(size, "<path d=\"M0 0L50 -30L100 12\"/>").unwrap_err();
    assert!(low.to_string().contains("12.0 mm"), "{low}");
    assert_eq!(
        read_svg(size, "<circle cx=\"50\" cy=\"0\" r=\"20\"/>"),
        Err(DesignError::Closed)
    );
    assert!(matches!(
        read_svg(size, "<path d=\"M0 0L100 0\"/>"),
        Err(DesignError::Straight(_))
    ));
    let level = read_svg(size, "<path d=\"M0 0L50 -30L100 0.6\"/>").unwrap();
    assert_eq!(level.notes.len(), 1, "a small step is levelled, and said");
}

#[test]
fn empty_huge_and_circular_drawings_are_refused() {
    let size = "width=\"100mm\" viewBox=\"0 -50 100 100\"";
    assert_eq!(
        read_svg(size, "<text>no line</text>"),
        Err(DesignError::NoPath)
    );
    assert_eq!(
        read_svg(size, "<g display=\"none\"><path d=\"M0 0L9 9\"/></g>"),
        Err(DesignError::NoPath)
    );
    let loops = "<g id=\"a\"><use href=\"#b\"/></g><g id=\"b\"><use href=\"#a\"/></g>";
    assert!(matches!(
        read_svg(size, loops),
        Err(DesignError::SelfReference(_))
    ));
    // Each level draws the next ten times: ten million lines from a few hundred bytes.
    let mut bomb = "<defs><path id=\"l0\" d=\"M0 0L1 1\"/>".to_owned();
    for level in 1..=7 {
        let uses = format!("<use href=\"#l{}\"/>", level - 1).repeat(10);
        bomb += &format!("<g id=\"l{level}\">{uses}</g>");
    }
    bomb += "</defs><use href=\"#l7\"/>";
    assert_eq!(read_svg(size, &bomb), Err(DesignError::TooManyPoints));
    let mut long = String::from("M0 0");
    for i in 0..10_000_000u32 {
        long += if i % 2 == 0 { "h1" } else { "v1" };
    }
    assert_eq!(
        read_svg(size, &format!("<path d=\"{long}\"/>")),
        Err(DesignError::TooManyPoints)
    );
    assert_eq!(decode(b"hello", None), Err(DesignError::UnknownType));
    assert!(matches!(
        decode(b"<svg><path", None),
        Err(DesignError::Broken(_))
    ));
}

/// Points by ezdxf (tests/reference/design/make.py): LINE, LWPOLYLINE with bulges, ARC, SPLINE and an
/// INSERT of a LINE and a POLYLINE, in inches.
#[test]
fn dxf_entities_lie_where_ezdxf_puts_them() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/design/");
    let drawn = dxf::lines(&std::fs::read(format!("{folder}chain.dxf")).unwrap()).unwrap();
    let truth: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(format!("{folder}chain.json")).unwrap())
            .unwrap();
    let pieces = truth["pieces"].as_array().unwrap();
    assert!(drawn.has_size);
    assert_eq!(drawn.pieces.len(), pieces.len());
    let distance = |p: Point2, line: &[Point2]| {
        line.windows(2)
            .map(|w| {
                let along = w[1] - w[0];
                let t = ((p - w[0]).dot(&along) / along.norm_squared()).clamp(0.0, 1.0);
                (w[0] + along * t - p).norm()
            })
            .fold(f64::MAX, f64::min)
    };
    for (ours, theirs) in drawn.pieces.iter().zip(pieces) {
        for p in theirs.as_array().unwrap() {
            let p = Point2::new(
                p[0].as_f64().unwrap() * 25.4,
                -p[1].as_f64().unwrap() * 25.4,
            );
            // Our chords stay within 0.01 mm, theirs within 0.0005 in.
            assert!(distance(p, ours) < 0.03, "{p} is {} off", distance(p, ours));
        }
    }
    let read = decode(&std::fs::read(format!("{folder}chain.dxf")).unwrap(), None).unwrap();
    assert!(
        (read.design.repeat_mm - 254.0).abs() < 1e-6,
        "{}",
        read.design.repeat_mm
    );
}

#[test]
fn what_is_written_reads_back() {
    for name in crate::design::demo::NAMES {
        let design = crate::design::demo::by_name(name, 240.0, 110.0).unwrap();
        let read = decode(to_svg(&design).as_bytes(), None).unwrap().design;
        assert!((read.repeat_mm - 240.0).abs() < 0.01, "{name}");
        assert_eq!(read.curve_mm.len(), design.curve_mm.len(), "{name}");
        for (a, b) in read.curve_mm.iter().zip(&design.curve_mm) {
            assert!((a - b).norm() < 0.02, "{name}: {a} {b}");
        }
    }
}

/// Coordinates beyond all bounds took all memory or all time there is.
#[test]
fn drawings_beyond_all_bounds_are_refused_at_once() {
    for body in [
        "<path d=\"M0 0 C 20 -1e300 30 -30 50 0\"/>",
        "<path d=\"M0 0 C 20 -1e30 30 -30 50 0\"/>",
        "<path transform=\"scale(1e200)\" d=\"M0 0 C 20 -30 30 -30 50 0\"/>",
        "<circle r=\"1e30\"/>",
        "<ellipse rx=\"1e300\" ry=\"1\"/>",
    ] {
        let read = read_svg("width=\"100mm\" viewBox=\"0 -50 100 100\"", body);
        assert_eq!(read, Err(DesignError::NotFinite), "{body}");
    }
    let tiny = "<path transform=\"scale(1e-300)\" d=\"M0 0 C 20 -30 30 -30 50 0\"/>";
    assert_eq!(
        decode(svg("", tiny).as_bytes(), Some(200.0)),
        Err(DesignError::Closed)
    );
    let far: String = (0..200)
        .map(|i| format!("L{} {}", i, i % 2 * 9000))
        .collect();
    let far = format!("<path d=\"M0 0{far}L9000 0\"/>");
    let read = read_svg("width=\"10000mm\" viewBox=\"0 0 10000 10000\"", &far);
    assert!(matches!(read, Err(DesignError::TooLong(_))), "{read:?}");
}

fn dxf_arc(from: &str, to: &str, radius: &str) -> Result<Drawn, DesignError> {
    let text = format!(
        "0\nSECTION\n2\nENTITIES\n0\nARC\n10\n0\n20\n0\n40\n{radius}\n50\n{from}\n51\n{to}\n0\nENDSEC\n0\nEOF\n"
    );
    dxf::lines(text.as_bytes())
}

/// An arc runs anticlockwise from its first angle to its second (DXF Reference, ARC), which here is clockwise.
#[test]
fn a_dxf_arc_ends_wherever_its_angles_begin() {
    for (from, to) in [("0", "90"), ("-720", "-630"), ("270", "0"), ("0", "810")] {
        let drawn = dxf_arc(from, to, "10").unwrap();
        let (first, last) = (
            drawn.pieces[0][0],
            drawn.pieces[0][drawn.pieces[0].len() - 1],
        );
        let turn = (first.x * last.y - first.y * last.x) / 100.0;
        assert!((turn + 1.0).abs() < 1e-9, "{from} to {to}: {turn}");
    }
    for (from, to) in [("1e12", "180"), ("1e39", "180"), ("1e308", "0")] {
        let drawn = dxf_arc(from, to, "10").unwrap();
        assert!(drawn.pieces[0].len() < 1000, "{from}");
    }
    assert!(dxf_arc("0", "90", "1e300").is_err());
}

/// Blocks of ten thousand copies of each other, and nothing in the last: no point is ever drawn.
#[test]
fn copies_of_nothing_in_a_dxf_come_to_an_end() {
    let block = |name: u32, of: u32| {
        format!(
            "0\nBLOCK\n2\nB{name}\n10\n0\n20\n0\n0\nINSERT\n2\nB{of}\n10\n0\n20\n0\n70\n100\n71\n100\n0\nENDBLK\n"
        )
    };
    let blocks: String = (1..8).map(|n| block(n, n - 1)).collect();
    let text = format!(
        "0\nSECTION\n2\nBLOCKS\n0\nBLOCK\n2\nB0\n10\n0\n20\n0\n0\nENDBLK\n{blocks}0\nENDSEC\n\
         0\nSECTION\n2\nENTITIES\n0\nINSERT\n2\nB7\n10\n0\n20\n0\n0\nENDSEC\n0\nEOF\n"
    );
    assert!(matches!(
        dxf::lines(text.as_bytes()),
        Err(DesignError::TooManyPoints)
    ));
}
