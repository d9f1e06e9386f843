//! A line chart as SVG with title and description for screen readers; shapes, not colours, tell lines apart.

use crate::units::LengthUnit;
use crate::verdict::words::{length, number, told_apart, unit_name};
use maud::{Markup, html};

/// Width of a chart that has a page's width to itself, in its own units; text is 12 of them high.
pub const WIDE: f64 = 800.0;
/// Width of a chart that can be read on a phone.
pub const NARROW: f64 = 440.0;

/// A chart of values in the order they were measured.
#[derive(Debug, Clone)]
pub struct Chart {
    /// What it shows.
    pub title: String,
    /// What is to be seen in it, in words.
    pub description: String,
    /// The values.
    pub lines: Vec<Line>,
    /// What is accepted, as an area.
    pub band: Option<(f64, f64)>,
    /// Level lines with their names.
    pub limits: Vec<(f64, &'static str)>,
    /// What each value is, for its tooltip.
    pub labels: Vec<String>,
    /// Words below the axis and the value they belong to.
    pub ticks: Vec<(usize, String)>,
    /// What the values are.
    pub scale: Scale,
    /// Width: [`WIDE`] or [`NARROW`].
    pub width: f64,
}

/// What the values of a chart are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// Millimetres, shown in this unit.
    Length(LengthUnit),
    /// Percent of the width, as skew is given.
    Percent,
}

impl Scale {
    fn number(self, value: f64) -> String {
        match self {
            Scale::Length(unit) => number(value, unit),
            Scale::Percent => format!("{:.2}", value + 0.0),
        }
    }

    /// Level lines' values, told apart.
    fn levels(self, limits: &[(f64, &str)]) -> Vec<String> {
        let levels: Vec<f64> = limits.iter().map(|l| l.0).collect();
        match self {
            Scale::Length(unit) => told_apart(&levels, unit),
            Scale::Percent => levels.into_iter().map(|v| self.number(v)).collect(),
        }
    }

    fn with_unit(self, value: f64) -> String {
        match self {
            Scale::Length(unit) => length(value, unit),
            Scale::Percent => format!("{} %", self.number(value)),
        }
    }

    fn unit(self) -> &'static str {
        match self {
            Scale::Length(unit) => unit_name(unit),
            Scale::Percent => "%",
        }
    }
}

/// How the values of a line are marked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// A path alone.
    None,
    /// Dots.
    Dot,
    /// Triangles that point left.
    Left,
    /// Triangles that point right.
    Right,
}

/// One series of a chart.
#[derive(Debug, Clone)]
pub struct Line {
    name: &'static str,
    /// Not a number where nothing is known; the line is broken there.
    values: Vec<f64>,
    /// Half-widths of the intervals, as many as values, or none.
    half_widths: Vec<f64>,
    mark: Mark,
}

impl Line {
    /// Joined dots.
    pub fn dots(name: &'static str, values: Vec<f64>) -> Line {
        Line::marked(name, Mark::Dot, values, Vec::new())
    }

    /// A path without dots.
    pub fn path(name: &'static str, values: Vec<f64>) -> Line {
        Line::marked(name, Mark::None, values, Vec::new())
    }

    /// Joined marks with the half-widths of their intervals.
    pub fn marked(name: &'static str, mark: Mark, values: Vec<f64>, half_widths: Vec<f64>) -> Line {
        Line {
            name,
            values,
            half_widths,
            mark,
        }
    }

    /// The values, not a number where nothing is known.
    pub fn values(&self) -> impl Iterator<Item = f64> + '_ {
        self.values.iter().copied()
    }

    fn half_width(&self, i: usize) -> f64 {
        self.half_widths.get(i).copied().unwrap_or(0.0)
    }
}

const HEIGHT: f64 = 260.0;
const LEFT: f64 = 70.0;
const TOP: f64 = 24.0;
const BOTTOM: f64 = 34.0;
/// Marks of the lines stand this far beside each other, so that none hides another.
const BESIDE: f64 = 5.0;

/// Draws a chart.
pub fn chart(chart: &Chart) -> Markup {
    let values = chart.lines.iter().flat_map(|l| {
        let ends = |(i, v): (usize, &f64)| [v - l.half_width(i), v + l.half_width(i)];
        l.values.iter().enumerate().flat_map(ends)
    });
    let everything = values
        .chain(chart.limits.iter().map(|l| l.0))
        .chain(chart.band.iter().flat_map(|b| [b.0, b.1]))
        .filter(|v| v.is_finite());
    let (low, high) = everything.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    });
    let (low, high) = match low < high {
        true => (low, high),
        false if low.is_finite() => (low - 1.0, low + 1.0),
        false => (-1.0, 1.0),
    };
    let margin = 0.05 * (high - low);
    let (low, high) = (low - margin, high + margin);
    let right = match chart.limits.iter().any(|l| !l.1.is_empty()) {
        true => 110.0,
        false => 16.0,
    };
    let end = chart.width - right;
    let count = chart.labels.len();
    let x = |i: usize| match count {
        0 | 1 => (LEFT + end) / 2.0,
        _ => LEFT + (end - LEFT) * i as f64 / (count - 1) as f64,
    };
    let y = |v: f64| TOP + (HEIGHT - TOP - BOTTOM) * (high - v) / (high - low);
    html! {
        svg viewBox=(format!("0 0 {} {HEIGHT}", chart.width)) role="img" xmlns="http://www.w3.org/2000/svg"
            font-family="system-ui, sans-serif" font-size="12" {
            title { (chart.title) }
            desc { (chart.description) }
            @if let Some((from, to)) = chart.band {
                rect.band x=(LEFT - 8.0) width=(end - LEFT + 16.0) y=(format!("{:.1}", y(to)))
                    height=(format!("{:.1}", y(from) - y(to))) {}
            }
            @for ((level, name), shown) in chart.limits.iter().zip(chart.scale.levels(&chart.limits)) {
                line.level x1=(LEFT - 8.0) x2=(end + 8.0) y1=(format!("{:.1}", y(*level)))
                    y2=(format!("{:.1}", y(*level))) {}
                text x=(LEFT - 14.0) y=(format!("{:.1}", y(*level) + 4.0)) text-anchor="end" {
                    (shown)
                }
                @if !name.is_empty() {
                    text x=(end + 12.0) y=(format!("{:.1}", y(*level) + 4.0)) { (name) }
                }
            }
            @for (k, line) in chart.lines.iter().enumerate() {
                (drawn(chart, line, k, &x, &y))
            }
            @for (i, tick) in &chart.ticks {
                text x=(format!("{:.1}", x(*i))) y=(HEIGHT - 10.0) text-anchor=(anchor(*i, count, tick)) { (tick) }
            }
            text x="4" y="12" { (chart.scale.unit()) }
        }
    }
}

/// Long words at the ends stay inside the chart.
fn anchor(i: usize, count: usize, tick: &str) -> &'static str {
    match i {
        _ if tick.len() < 4 => "middle",
        0 => "start",
        _ if i + 1 == count => "end",
        _ => "middle",
    }
}

fn drawn(
    chart: &Chart,
    line: &Line,
    k: usize,
    x: &dyn Fn(usize) -> f64,
    y: &dyn Fn(f64) -> f64,
) -> Markup {
    let beside = match line.half_widths.is_empty() {
        true => 0.0,
        false => BESIDE * (k as f64 - (chart.lines.len() as f64 - 1.0) / 2.0),
    };
    let known: Vec<(usize, f64)> = line.values.iter().copied().enumerate().collect();
    let runs = known
        .chunk_by(|a, b| a.1.is_finite() == b.1.is_finite())
        .filter(|run| run[0].1.is_finite());
    let path = |run: &[(usize, f64)]| -> String {
        run.iter()
            .map(|(i, v)| format!("{:.1},{:.1}", x(*i) + beside, y(*v)))
            .collect::<Vec<_>>()
            .join(" ")
    };
    let class = format!("s{}", k % 3);
    let dash = [None, Some("2 3"), Some("7 3")][k % 3];
    html! {
        g class=(class) {
            @for run in runs {
                polyline.line points=(path(run)) stroke-dasharray=[dash] { title { (line.name) } }
            }
            @for (i, v) in known.iter().filter(|(_, v)| line.mark != Mark::None && v.is_finite()) {
                @let half = line.half_width(*i);
                @let at = x(*i) + beside;
                @if half > 0.0 {
                    path d=(format!("M{at:.1} {:.1}V{:.1}", y(v + half), y(v - half))) {}
                }
                path.mark d=(mark(line.mark, at, y(*v))) {
                    title {
                        (chart.labels[*i]) ": "
                        @if chart.lines.len() > 1 { (line.name) " " }
                        (chart.scale.with_unit(*v))
                    }
                }
            }
        }
    }
}

fn mark(mark: Mark, x: f64, y: f64) -> String {
    match mark {
        Mark::None => String::new(),
        Mark::Dot => format!("M{:.1} {y:.1}a3 3 0 1 0 6 0a3 3 0 1 0 -6 0z", x - 3.0),
        Mark::Left => format!("M{:.1} {y:.1}l7 -4v8z", x - 4.0),
        Mark::Right => format!("M{:.1} {y:.1}l-7 -4v8z", x + 4.0),
    }
}
