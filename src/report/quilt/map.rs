//! A map of the quilt to scale: every row as planned and as measured, deviations exaggerated.

use super::{MeasuredRow, QuiltReport, sides};
use crate::report::chart::NARROW;
use crate::verdict::words::{K_95, length};
use maud::{Markup, html};

/// Room for row numbers at the left, and for a margin at the right, in units of the drawing.
const LEFT: f64 = 34.0;
const RIGHT: f64 = 8.0;
const TOP: f64 = 8.0;
const BOTTOM: f64 = 26.0;
/// Rows are drawn as this many straight pieces.
const PIECES: usize = 24;
/// Round factors; the drawing takes the greatest that keeps rows apart.
const FACTORS: [f64; 11] = [1.0, 2.0, 3.0, 4.0, 5.0, 8.0, 10.0, 15.0, 20.0, 30.0, 50.0];
/// The greatest deviation may be drawn as this share of the spacing.
const SHARE_OF_SPACING: f64 = 0.6;

/// By how much deviations are exaggerated: the greatest round factor with which the rows stay apart.
pub(super) fn factor(report: &QuiltReport) -> f64 {
    let greatest_mm = report
        .rows
        .iter()
        .filter_map(|r| r.drift.as_ref())
        .flat_map(sides)
        .map(|(_, d)| d.value.abs() + K_95 * d.u)
        .fold(0.1, f64::max);
    let most = SHARE_OF_SPACING * report.plan.spacing_mm / greatest_mm;
    let fitting = FACTORS.iter().copied().filter(|f| *f <= most);
    fitting.fold(1.0, f64::max)
}

/// Drift of a row at a place across, with the half-width of its interval, mm: the parabola through left,
/// centre and right, which is what a baseline of offset, slope and bow is.
fn drift_at(row: &MeasuredRow, x_mm: f64) -> Option<(f64, f64)> {
    let drift = row.drift.as_ref()?;
    let [a, b, c] = row.drift_x_mm.unwrap_or([-1.0, 0.0, 1.0]);
    if (b - a).abs() < 1.0 || (c - b).abs() < 1.0 {
        return Some((drift.centre.value, K_95 * drift.centre.u));
    }
    let weights = [
        (x_mm - b) * (x_mm - c) / ((a - b) * (a - c)),
        (x_mm - a) * (x_mm - c) / ((b - a) * (b - c)),
        (x_mm - a) * (x_mm - b) / ((c - a) * (c - b)),
    ];
    let values = sides(drift).map(|(_, d)| d);
    let sum = |f: &dyn Fn(f64, f64, f64) -> f64| -> f64 {
        weights
            .iter()
            .zip(&values)
            .map(|(w, v)| f(*w, v.value, v.u))
            .sum()
    };
    Some((sum(&|w, v, _| w * v), K_95 * sum(&|w, _, u| w.abs() * u)))
}

/// A row's course and its interval as SVG points; `None` where nothing places it.
fn course(
    row: &MeasuredRow,
    to_svg: &dyn Fn(f64, f64) -> (f64, f64),
    width_mm: f64,
) -> Option<[String; 2]> {
    let middle = (row.seen_from_mm + row.seen_to_mm) / 2.0;
    let half = ((row.seen_to_mm - row.seen_from_mm) / 2.0).min(width_mm / 2.0);
    let places: Vec<(f64, f64, f64)> = (0..=PIECES)
        .map(|k| {
            let from_middle = half * (2.0 * k as f64 / PIECES as f64 - 1.0);
            let (drift, interval) = drift_at(row, middle + from_middle)?;
            Some((from_middle, drift, interval))
        })
        .collect::<Option<_>>()?;
    let point = |(x, y): (f64, f64)| format!("{x:.1},{y:.1}");
    let line = places.iter().map(|(x, d, _)| point(to_svg(*x, *d)));
    let upper = places.iter().map(|(x, d, i)| point(to_svg(*x, d - i)));
    let lower = places
        .iter()
        .rev()
        .map(|(x, d, i)| point(to_svg(*x, d + i)));
    Some([
        line.collect::<Vec<_>>().join(" "),
        upper.chain(lower).collect::<Vec<_>>().join(" "),
    ])
}

/// Draws the map.
pub(super) fn map(report: &QuiltReport) -> Markup {
    let plan = &report.plan;
    let scale = (NARROW - LEFT - RIGHT) / plan.width_mm;
    let bottom = TOP + scale * plan.length_mm;
    let factor = factor(report);
    let planned_y = |row: u32| plan.first_row_mm + f64::from(row - 1) * plan.spacing_mm;
    let x = |mm: f64| LEFT + scale * (mm + plan.width_mm / 2.0);
    let y = |mm: f64| TOP + scale * mm;
    let row = |number: u32| report.rows.iter().find(|r| r.row == number);
    let last = report.rows.iter().rfind(|r| r.drift.is_some());
    let description = format!(
        "The quilt, {} wide and {} long, with {} planned rows and {} measured ones.{}",
        length(plan.width_mm, plan.unit),
        length(plan.length_mm, plan.unit),
        plan.rows,
        report.rows.len(),
        last.and_then(|r| Some((r.row, r.drift.as_ref()?.centre.value)))
            .map_or(String::new(), |(row, mm)| format!(
                " In the middle, row {row} lies {} {} than planned.",
                length(mm.abs(), plan.unit),
                if mm < 0.0 { "higher" } else { "lower" },
            )),
    );
    // Every number is shown as long as they do not touch.
    let every = (12.0 / (scale * plan.spacing_mm)).ceil().max(1.0) as u32;
    html! {
        svg viewBox=(format!("0 0 {NARROW} {:.1}", bottom + BOTTOM)) role="img" xmlns="http://www.w3.org/2000/svg"
            font-family="system-ui, sans-serif" font-size="12" {
            title { "Map of the quilt, deviations drawn " (factor) " times as large" }
            desc { (description) }
            rect.quilt x=(LEFT) y=(TOP) width=(format!("{:.1}", NARROW - LEFT - RIGHT))
                height=(format!("{:.1}", bottom - TOP)) {}
            @for number in 1..=plan.rows {
                @let level = format!("{:.1}", y(planned_y(number)));
                line.level x1=(LEFT) x2=(NARROW - RIGHT) y1=(level) y2=(level) {}
                @if number % every == 1 % every {
                    text x=(LEFT - 6.0) y=(format!("{:.1}", y(planned_y(number)) + 4.0)) text-anchor="end" { (number) }
                }
                @if let Some(row) = row(number) {
                    @let to_svg = |from_middle: f64, drift: f64| (x(from_middle), y(planned_y(number) + factor * drift));
                    @if let Some([line, interval]) = course(row, &to_svg, plan.width_mm) {
                        g.s0 {
                            polygon.interval points=(interval) {}
                            polyline.line points=(line) { title { "row " (number) } }
                        }
                        @for part in &row.missed {
                            @let from_middle = (part.from_mm + part.to_mm - row.seen_from_mm - row.seen_to_mm) / 2.0;
                            @if let Some((drift, _)) = drift_at(row, (part.from_mm + part.to_mm) / 2.0) {
                                @let (cx, cy) = to_svg(from_middle, drift);
                                g.s2 {
                                    path.missed d=(format!("M{:.1} {:.1}l8 8m0 -8l-8 8", cx - 4.0, cy - 4.0)) {
                                        title { "row " (number) ": missed part" }
                                    }
                                }
                            }
                        }
                    }
                }
            }
            text x=(LEFT) y=(format!("{:.1}", bottom + 16.0)) { (length(plan.width_mm, plan.unit)) " wide" }
            text x=(NARROW - RIGHT) y=(format!("{:.1}", bottom + 16.0)) text-anchor="end" {
                (length(plan.length_mm, plan.unit)) " long"
            }
        }
    }
}
