//! A line chart as SVG with title and description for screen readers; shapes, not colours, tell lines apart.

use crate::units::LengthUnit;
use crate::verdict::words::{length, number, unit_name};
use maud::{Markup, html};

/// A chart of values in the order they were measured.
#[derive(Debug, Clone)]
pub struct Chart {
    /// What it shows.
    pub title: String,
    /// What is to be seen in it, in words.
    pub description: String,
    /// The values.
    pub lines: Vec<Line>,
    /// Level lines with their names, mm.
    pub limits: Vec<(f64, &'static str)>,
    /// What each value is, for its tooltip.
    pub labels: Vec<String>,
    /// Unit shown.
    pub unit: LengthUnit,
}

/// One series of a chart.
#[derive(Debug, Clone)]
pub struct Line {
    name: &'static str,
    values_mm: Vec<f64>,
    dots: bool,
}

impl Line {
    /// Joined dots.
    pub fn dots(name: &'static str, values_mm: Vec<f64>) -> Line {
        Line {
            name,
            values_mm,
            dots: true,
        }
    }

    /// A path without dots.
    pub fn path(name: &'static str, values_mm: Vec<f64>) -> Line {
        Line {
            name,
            values_mm,
            dots: false,
        }
    }
}

const WIDTH: f64 = 800.0;
const HEIGHT: f64 = 260.0;
const LEFT: f64 = 70.0;
const RIGHT: f64 = 110.0;
const TOP: f64 = 14.0;
const BOTTOM: f64 = 34.0;

/// Draws a chart.
pub fn chart(chart: &Chart) -> Markup {
    let everything = chart
        .lines
        .iter()
        .flat_map(|l| l.values_mm.iter().copied())
        .chain(chart.limits.iter().map(|l| l.0))
        .filter(|v| v.is_finite());
    let (low, high) = everything.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    });
    let (low, high) = if low < high {
        (low, high)
    } else {
        (low - 1.0, low + 1.0)
    };
    let margin = 0.05 * (high - low);
    let (low, high) = (low - margin, high + margin);
    let count = chart.labels.len().max(2);
    let x = |i: usize| LEFT + (WIDTH - LEFT - RIGHT) * i as f64 / (count - 1) as f64;
    let y = |v: f64| TOP + (HEIGHT - TOP - BOTTOM) * (high - v) / (high - low);
    let path = |line: &Line| -> String {
        let points = line.values_mm.iter().enumerate();
        points
            .map(|(i, v)| format!("{:.1},{:.1}", x(i), y(*v)))
            .collect::<Vec<_>>()
            .join(" ")
    };
    let ends = [chart.labels.first(), chart.labels.last()];
    html! {
        svg viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) role="img" xmlns="http://www.w3.org/2000/svg"
            font-family="system-ui, sans-serif" font-size="12" {
            title { (chart.title) }
            desc { (chart.description) }
            @for (level, name) in &chart.limits {
                line x1=(LEFT) x2=(WIDTH - RIGHT) y1=(format!("{:.1}", y(*level)))
                    y2=(format!("{:.1}", y(*level))) stroke="#666" stroke-dasharray="5 4" {}
                text x=(LEFT - 6.0) y=(format!("{:.1}", y(*level) + 4.0)) text-anchor="end" {
                    (number(*level, chart.unit))
                }
                text x=(WIDTH - RIGHT + 6.0) y=(format!("{:.1}", y(*level) + 4.0)) { (name) }
            }
            @for (i, line) in chart.lines.iter().enumerate() {
                polyline points=(path(line)) fill="none" stroke="#1f4e79" stroke-width="1.5"
                    stroke-dasharray=[(i > 0).then_some("2 3")] { title { (line.name) } }
                @if line.dots {
                    @for (i, v) in line.values_mm.iter().enumerate() {
                        circle cx=(format!("{:.1}", x(i))) cy=(format!("{:.1}", y(*v))) r="3" fill="#1f4e79" {
                            title { (chart.labels[i]) ": " (length(*v, chart.unit)) }
                        }
                    }
                }
            }
            text x=(LEFT) y=(HEIGHT - 10.0) { @if let Some(label) = ends[0] { (label) } }
            text x=(WIDTH - RIGHT) y=(HEIGHT - 10.0) text-anchor="end" {
                @if let Some(label) = ends[1] { (label) }
            }
            text x="4" y=(TOP) { (unit_name(chart.unit)) }
        }
    }
}
