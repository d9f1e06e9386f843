//! Where a repeat is cut off the next.

use super::repeat::Template;
use crate::design::Design;
use crate::geometry::{Point2, Vector2};

/// A design cut out of a template.
#[derive(Debug, Clone)]
pub struct Cut {
    /// The design.
    pub design: Design,
    /// Its start on its reference line, in the template's frame, mm.
    pub start: Vector2,
}

/// The design of a template, cut where a row is easily begun: at a place above and below which the line
/// does not pass if there is one, and where it runs along the row.
pub fn cut(template: &Template) -> Cut {
    let samples = &template.samples;
    let repeat_mm = template.design.repeat_mm;
    let n = samples.len();
    let lines_at = |x: f64| -> usize {
        // How often the endless line passes x: crossings of x + k·repeat by one repeat, any k.
        (0..n)
            .filter(|i| {
                let a = samples[*i].position.x;
                let b = if i + 1 < n {
                    samples[i + 1].position.x
                } else {
                    samples[0].position.x + repeat_mm
                };
                ((a - x) / repeat_mm).floor() != ((b - x) / repeat_mm).floor()
            })
            .count()
    };
    let first = (0..n)
        .min_by(|a, b| {
            let steep = |i: usize| {
                let t = samples[i].tangent;
                // Backwards is worse than steep.
                if t.x > 0.0 { t.y.abs() } else { 2.0 }
            };
            let key = |i: usize| (lines_at(samples[i].position.x + 1e-6), steep(i));
            let ((la, sa), (lb, sb)) = (key(*a), key(*b));
            la.cmp(&lb).then(sa.total_cmp(&sb))
        })
        .unwrap_or(0);
    let origin = samples[first].position;
    let mut curve_mm: Vec<Point2> = (0..=n)
        .map(|i| {
            let at = first + i;
            let p = samples[at % n].position;
            Point2::new(p.x - origin.x + (at / n) as f64 * repeat_mm, p.y)
        })
        .collect();
    let (top, bottom) = curve_mm
        .iter()
        .fold((f64::MAX, f64::MIN), |(a, b), p| (a.min(p.y), b.max(p.y)));
    let middle = (top + bottom) / 2.0;
    for p in &mut curve_mm {
        p.y -= middle;
    }
    Cut {
        design: Design {
            curve_mm,
            repeat_mm,
            breaks: Vec::new(),
        },
        start: Vector2::new(origin.x, middle),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::demo;

    #[test]
    fn a_repeat_ends_where_the_next_begins_and_loops_are_not_cut() {
        let design = demo::by_name("loops", 200.0, 80.0).unwrap();
        let whole = Template::new(design.curve_mm.clone(), 200.0);
        let cut = cut(&whole).design;
        let (first, last) = (cut.curve_mm[0], cut.curve_mm[cut.curve_mm.len() - 1]);
        assert!((last.x - first.x - 200.0).abs() < 1e-9 && (last.y - first.y).abs() < 1e-9);
        assert!((cut.height_mm() - 80.0).abs() < 0.05, "{}", cut.height_mm());
        // Nothing of the repeat lies left of its start.
        assert!(
            cut.curve_mm.iter().all(|p| p.x > -0.5),
            "{:?}",
            cut.curve_mm[0]
        );
    }
}
