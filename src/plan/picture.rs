//! The plan as a picture: the quilt, every row where it is to fall, and the measures.

use super::Plan;
use crate::design::Design;
use crate::geometry::Point2;
use crate::verdict::words::length;
use std::fmt::Write;

/// Draws the plan as SVG, one millimetre of the quilt to one unit.
pub fn picture(plan: &Plan, design: Option<&Design>) -> String {
    let (w, h) = (plan.width_mm, plan.length_mm);
    let size = w.max(h);
    let text = size / 45.0;
    let margin = size / 9.0;
    let show = |mm: f64| length(mm, plan.unit);
    let mut out = String::new();
    let _ = write!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"{:.1} {:.1} {:.1} {:.1}\" role=\"img\" \
         aria-labelledby=\"title desc\" font-family=\"sans-serif\" font-size=\"{text:.1}\">\n\
         <title id=\"title\">Plan of a quilt with {} rows</title>\n\
         <desc id=\"desc\">{} wide, {} long; {} rows, {} from one to the next, the first {} below the top edge.</desc>\n\
         <defs><clipPath id=\"quilt\"><rect width=\"{w:.1}\" height=\"{h:.1}\"/></clipPath></defs>\n\
         <rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"#fff\"/>\n\
         <rect width=\"{w:.1}\" height=\"{h:.1}\" fill=\"#faf6ee\" stroke=\"#333\" stroke-width=\"{:.2}\"/>\n",
        -margin,
        -margin,
        w + 2.0 * margin,
        h + 2.0 * margin,
        plan.rows,
        show(w),
        show(h),
        plan.rows,
        show(plan.spacing_mm),
        show(plan.first_row_mm),
        -margin,
        -margin,
        w + 2.0 * margin,
        h + 2.0 * margin,
        size / 500.0
    );
    let points: Vec<Point2> = design.map_or_else(Vec::new, |d| thinned(d, size / 900.0));
    let _ = writeln!(
        out,
        "<g clip-path=\"url(#quilt)\" fill=\"none\" stroke=\"#1f4e79\" stroke-width=\"{:.2}\" stroke-linejoin=\"round\">",
        size / 450.0
    );
    for row in (1..=plan.rows).filter(|_| !points.is_empty()) {
        let (y, phase) = (plan.baseline_mm(row), plan.phase_mm(row));
        let first = (-phase / plan.repeat_mm).floor() as i64 - 1;
        let last = ((w - phase) / plan.repeat_mm).ceil() as i64 + 1;
        let mut path = String::new();
        for k in first..=last {
            for (i, p) in points.iter().enumerate() {
                let x = phase + k as f64 * plan.repeat_mm + p.x;
                let letter = if k == first && i == 0 { 'M' } else { 'L' };
                let _ = write!(path, "{letter}{x:.1} {:.1}", y + p.y);
            }
        }
        let _ = writeln!(out, "<path d=\"{path}\"/>");
    }
    out += "</g>\n";
    let _ = writeln!(
        out,
        "<g stroke=\"#b35900\" stroke-width=\"{:.2}\" stroke-dasharray=\"{:.1} {:.1}\">",
        size / 900.0,
        size / 120.0,
        size / 120.0
    );
    for row in 1..=plan.rows {
        let y = plan.baseline_mm(row);
        let _ = writeln!(
            out,
            "<line x1=\"0\" y1=\"{y:.1}\" x2=\"{w:.1}\" y2=\"{y:.1}\"/>"
        );
    }
    out += "</g>\n<g fill=\"#222\">\n";
    for row in 1..=plan.rows {
        let y = plan.baseline_mm(row) + text * 0.35;
        let _ = writeln!(
            out,
            "<text x=\"{:.1}\" y=\"{y:.1}\" text-anchor=\"end\">{row}</text>",
            -text * 0.6
        );
    }
    let _ = writeln!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{} wide</text>",
        w / 2.0,
        -text,
        show(w)
    );
    let _ = writeln!(
        out,
        "<text transform=\"translate({:.1} {:.1}) rotate(90)\" text-anchor=\"middle\">{} long</text>",
        w + text * 3.2,
        h / 2.0,
        show(h)
    );
    if plan.rows > 1 {
        let (a, b) = (plan.baseline_mm(1), plan.baseline_mm(2));
        let x = w + text;
        let _ = writeln!(
            out,
            "<path d=\"M{:.1} {a:.1}H{:.1}M{:.1} {b:.1}H{:.1}M{x:.1} {a:.1}V{b:.1}\" stroke=\"#222\" stroke-width=\"{:.2}\" fill=\"none\"/>",
            x - text * 0.4,
            x + text * 0.4,
            x - text * 0.4,
            x + text * 0.4,
            size / 900.0
        );
        let _ = writeln!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\">{}</text>",
            x + text * 0.6,
            (a + b) / 2.0 + text * 0.35,
            show(plan.spacing_mm)
        );
    }
    let _ = writeln!(
        out,
        "<text x=\"0\" y=\"{:.1}\">{} rows, {} apart{}</text>",
        h + text * 1.6,
        plan.rows,
        show(plan.spacing_mm),
        plan.told_repeat_mm()
            .map_or_else(String::new, |mm| format!(", design {} a repeat", show(mm)))
    );
    out += "</g>\n</svg>\n";
    out
}

/// The design's points, as few as show it to `tolerance_mm`.
fn thinned(design: &Design, tolerance_mm: f64) -> Vec<Point2> {
    let mut kept: Vec<Point2> = Vec::new();
    for p in &design.curve_mm {
        if kept
            .last()
            .is_none_or(|last| (p - last).norm() >= tolerance_mm * 3.0)
        {
            kept.push(*p);
        }
    }
    if let Some(last) = design.curve_mm.last() {
        kept.push(*last);
    }
    kept
}
