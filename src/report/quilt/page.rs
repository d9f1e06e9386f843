//! The report as a page to keep: one HTML file that needs nothing else, for phone, screen and paper.

use super::words::{agreement, row_list};
use super::{MeasuredRow, OffFrame, PlanRecord, QuiltReport, map, sides};
use crate::finished::{PlannedMargins, edges_in_words};
use crate::gap::places;
use crate::record::Stretch;
use crate::report::chart::{Chart, Line, Mark, NARROW, Scale, chart};
use crate::report::colours::style_sheet;
use crate::report::log::action;
use crate::report::terminal::{signed_with_interval, skew_with_side, with_interval};
use crate::report::without_controls;
use crate::units::{LengthUnit, Uncertain};
use crate::verdict::PHOTO_CAUTION;
use crate::verdict::words::{
    K_95, beside, capital, interval, length, never_nothing, number, signed, unit_name,
};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// What a picture shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shows {
    /// A photo of a row with what was found drawn into it.
    Row(u32),
    /// The same of the finished quilt.
    Finished,
    /// A part that was not stitched, cut out of a photo.
    Missed {
        /// The row.
        row: u32,
        /// Which of the row's parts, from 0.
        part: usize,
        /// Whether the photo is of the finished quilt.
        finished: bool,
    },
}

/// A picture of the report.
#[derive(Debug, Clone)]
pub struct Picture {
    /// What it shows.
    pub shows: Shows,
    /// The picture as JPEG.
    pub jpeg: Vec<u8>,
    /// Width, px.
    pub width: u32,
    /// Height, px.
    pub height: u32,
}

const STYLE: &str = "body{max-width:60rem}h1{font-size:1.6rem;line-height:1.25}h2{font-size:1.2rem;margin:2rem 0 .5rem}\
    .verdict{font-size:1.15rem;font-weight:600;border:2px solid var(--ink);padding:.6rem .8rem}\
    .pair{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,19rem),1fr));gap:1rem 2rem;align-items:start}\
    .parts{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(100%,13rem),1fr));gap:.8rem 1rem;align-items:start}\
    figure{margin:0}figcaption{font-size:.85rem;color:var(--quiet)}img{display:block;width:100%;height:auto}\
    .map{max-width:44rem}table{font-size:.85rem;width:100%;font-variant-numeric:tabular-nums}\
    caption{color:var(--quiet);padding-bottom:.2rem}td,th{padding:.15rem .5rem .15rem 0;vertical-align:top;\
    border-top:1px solid var(--band)}th{white-space:nowrap}thead th{border:0;white-space:normal}.long{overflow-wrap:anywhere}tr.beyond th:first-child::after{content:\" !\"}\
    svg .quilt{fill:none;stroke:var(--quiet)}svg .interval{fill:currentColor;opacity:.22;stroke:none}\
    svg .missed{fill:none;stroke-width:2}.l0{color:var(--first)}.l1{color:var(--second)}.l2{color:var(--third)}\
    @media print{h2{break-after:avoid}figure,tr,.verdict{break-inside:avoid}.pair{grid-template-columns:1fr 1fr}\
    .map{max-width:11cm}@page{margin:15mm}}";

/// The page, with the pictures given.
pub fn page(report: &QuiltReport, pictures: &[Picture]) -> String {
    let body = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (report.quilt) ": rows against the plan" }
                style { (PreEscaped(style_sheet() + STYLE)) }
            }
            body {
                main {
                    h1 { (report.quilt) ": rows against the plan" }
                    p.verdict { (report.verdict) }
                    p { (facts(report)) }
                    @if !report.rows.is_empty() || report.off_frame.is_none() { (rows_sections(report, true, pictures)) }
                    @if let Some(off) = &report.off_frame { (off_frame(off, report, pictures)) }
                    section {
                        h2 { "What this report does not know" }
                        ul { @for sentence in &report.not_known { li { (sentence) } } }
                        @if !report.retake.is_empty() || !report.not_measured.is_empty() {
                            p.caution { (PHOTO_CAUTION) }
                        }
                    }
                    (photo_section(pictures))
                }
            }
        }
    };
    without_controls(&body.into_string(), &[])
}

/// All that is drawn and told of rows.
fn rows_sections(report: &QuiltReport, said: bool, pictures: &[Picture]) -> Markup {
    html! {
        (map_section(report))
        (gap_section(report))
        (drift_section(report))
        (shape_section(report))
        (stitching_section(report, said, pictures))
        (conditions_section(report, said))
    }
}

/// The finished quilt, against the plan drawn in as the quilt was.
fn off_frame(off: &OffFrame, report: &QuiltReport, pictures: &[Picture]) -> Markup {
    let finished = &off.finished;
    html! {
        h1 { "The finished quilt, off the frame" }
        p.verdict { (finished.judgement) }
        p { (off.shrinkage_in_words(&report.plan)) }
        @if let Some(compared) = off.compared_in_words() { p { (compared) } }
        @if !finished.notes.is_empty() || !finished.not_used.is_empty() {
            ul {
                @for note in &finished.notes { li { (note) } }
                @for photo in &finished.not_used { li { (photo.why) "; " (photo.remedy) "." } }
            }
        }
        (edges_section(off, &report.plan))
        (rows_sections(&off.as_report(report), false, pictures))
    }
}

/// What is seen of the finished quilt's edges.
fn edges_section(off: &OffFrame, plan: &PlanRecord) -> Markup {
    let margins = PlannedMargins::new(
        plan.length_mm,
        plan.first_row_mm,
        plan.rows,
        plan.spacing_mm,
    );
    let said = edges_in_words(&off.finished, margins, plan.unit);
    html! {
        @if !said.is_empty() {
            section {
                h2 { "Edges and margins" }
                ul { @for sentence in said { li { (sentence) } } }
            }
        }
    }
}

fn facts(report: &QuiltReport) -> String {
    let plan = &report.plan;
    let show = |mm: f64| length(mm, plan.unit);
    let day = |row: &MeasuredRow| row.saved.strftime("%Y-%m-%d").to_string();
    let days = match (report.rows.first(), report.rows.last()) {
        (Some(first), Some(last)) if day(first) == day(last) => format!(" Checked {}.", day(first)),
        (Some(first), Some(last)) => format!(" Checked {} to {}.", day(first), day(last)),
        _ => String::new(),
    };
    format!(
        "Planned: {} wide, {} long, {} rows {} apart. Accepted: a gap {} off, drift {}, skew {:.2} %, bow {}.{days}",
        show(plan.width_mm),
        show(plan.length_mm),
        plan.rows,
        show(plan.spacing_mm),
        show(plan.tolerance_spacing_mm),
        show(plan.tolerance_drift_mm),
        plan.tolerance_skew_mm_per_m / 10.0,
        show(plan.tolerance_bow_mm),
    )
}

fn map_section(report: &QuiltReport) -> Markup {
    let factor = map::factor(report);
    html! {
        section {
            h2 { "Map" }
            figure.map {
                (map::map(report))
                figcaption {
                    "To scale, but deviations are drawn " strong { (factor) " times" } " as large as they are. Dashed: \
                     where the plan wants the row. Solid: where it lies against row 1, as far as it was in view. Shaded: \
                     its 95 % interval. ×: a missed part."
                }
            }
        }
    }
}

/// Marks of left, centre and right in words and glyphs.
fn legend() -> Markup {
    html! {
        span.l0 { "◀\u{a0}left" } ", " span.l1 { "●\u{a0}centre" } ", " span.l2 { "▶\u{a0}right" }
        "; bars: 95 % intervals; shaded: what the plan accepts."
    }
}

/// Three lines, left, centre and right, from what each row has.
fn three(rows: &[&MeasuredRow], of: impl Fn(&MeasuredRow) -> Option<[Uncertain; 3]>) -> Vec<Line> {
    let names = [
        ("left", Mark::Left),
        ("centre", Mark::Dot),
        ("right", Mark::Right),
    ];
    let at = |k: usize| -> (Vec<f64>, Vec<f64>) {
        rows.iter()
            .map(|r| of(r).map_or((f64::NAN, 0.0), |v| (v[k].value, K_95 * v[k].u)))
            .unzip()
    };
    names
        .into_iter()
        .enumerate()
        .map(|(k, (name, mark))| {
            let (values, half_widths) = at(k);
            Line::marked(name, mark, values, half_widths)
        })
        .collect()
}

/// One line with intervals.
fn one(
    name: &'static str,
    rows: &[&MeasuredRow],
    of: impl Fn(&MeasuredRow) -> Option<Uncertain>,
) -> Vec<Line> {
    let (values, half_widths) = rows
        .iter()
        .map(|r| of(r).map_or((f64::NAN, 0.0), |v| (v.value, K_95 * v.u)))
        .unzip();
    vec![Line::marked(name, Mark::Dot, values, half_widths)]
}

/// Row numbers below the axis, no more than a dozen.
fn ticks(rows: &[&MeasuredRow]) -> Vec<(usize, String)> {
    let every = rows.len().div_ceil(12).max(1);
    let numbered = rows.iter().enumerate().step_by(every);
    numbered.map(|(i, r)| (i, r.row.to_string())).collect()
}

struct Drawn<'a> {
    title: &'a str,
    description: String,
    lines: Vec<Line>,
    level: f64,
    tolerance: Option<f64>,
    scale: Scale,
}

fn against_rows(rows: &[&MeasuredRow], drawn: Drawn) -> Markup {
    let Drawn {
        level, tolerance, ..
    } = drawn;
    let limits = match tolerance {
        Some(t) => vec![(level - t, ""), (level, ""), (level + t, "")],
        // Where the plan sets no limits, the smallest and the greatest value give the measure.
        None => {
            let (low, high) = span(drawn.lines.iter().flat_map(Line::values));
            let near = 0.15 * (high.max(level) - low.min(level));
            let ends = [low, high].into_iter().filter(|v| (v - level).abs() > near);
            ends.chain([level]).map(|v| (v, "")).collect()
        }
    };
    chart(&Chart {
        title: drawn.title.to_owned(),
        description: drawn.description,
        lines: drawn.lines,
        band: tolerance.map(|t| (level - t, level + t)),
        limits,
        labels: rows.iter().map(|r| format!("row {}", r.row)).collect(),
        ticks: ticks(rows),
        scale: drawn.scale,
        width: NARROW,
    })
}

/// A chart and what stands below it; one line instead, with what it takes, where no row has a value.
fn charted(rows: &[&MeasuredRow], drawn: Drawn, caption: &Markup, takes: &str) -> Markup {
    let known = (drawn.lines.iter().flat_map(Line::values)).any(f64::is_finite);
    html! {
        @if known { figure { (against_rows(rows, drawn)) figcaption { (caption) } } }
        @else { p { (drawn.title) ": not known for any row; " (takes) "." } }
    }
}

/// The smallest and the greatest of those that are numbers.
fn span(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let known = values.filter(|v| v.is_finite());
    known.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
        (a.min(v), b.max(v))
    })
}

/// The smallest and the greatest, in words.
fn from_to(values: impl Iterator<Item = f64>, show: impl Fn(f64) -> String) -> String {
    let (low, high) = span(values);
    match low <= high {
        true => format!("from {} to {}", show(low), show(high)),
        false => "not known for any row".to_owned(),
    }
}

/// Whether a cell has a word, such as a file's name, that has to break on a narrow screen.
fn is_long(cell: &str) -> bool {
    cell.split_whitespace()
        .any(|word| word.chars().count() > 12)
}

/// A value breaks before its ± and nowhere else; a number is not parted from its fraction.
fn kept_together(cell: &str) -> String {
    match cell.split_once(" ± ") {
        Some((value, interval)) => {
            let hard = |text: &str| text.replace(' ', "\u{a0}");
            format!("{} ±\u{a0}{}", hard(value), hard(interval))
        }
        None => match cell.split_once(' ') {
            Some((whole, rest)) if rest.contains('/') => format!("{whole}\u{a0}{rest}"),
            _ => cell.to_owned(),
        },
    }
}

/// A table with a heading; the first column names the line.
fn table(caption: &str, heading: &[&str], lines: Vec<(bool, Vec<String>)>) -> Markup {
    html! {
        table {
            caption { (caption) }
            thead { tr { @for cell in heading { th scope="col" { (cell) } } } }
            tbody {
                @for (beyond, cells) in &lines {
                    tr.beyond[*beyond] {
                        @for (i, cell) in cells.iter().enumerate() {
                            @if i == 0 { th scope="row" { (cell) } } @else { td.long[is_long(cell)] { (kept_together(cell)) } }
                        }
                    }
                }
            }
        }
    }
}

fn is_beyond(finding: Option<crate::verdict::conformity::Finding>) -> bool {
    finding == Some(crate::verdict::conformity::Finding::Beyond)
}

fn gap_section(report: &QuiltReport) -> Markup {
    let (plan, unit) = (&report.plan, report.plan.unit);
    let rows: Vec<&MeasuredRow> = report.rows.iter().filter(|r| r.gap.is_some()).collect();
    let of = |r: &MeasuredRow| {
        let places = r.gap.as_ref().and_then(places)?;
        Some(places.map(|p| Uncertain {
            value: p.value,
            u: p.u,
        }))
    };
    let values = rows.iter().filter_map(|r| of(r)).flatten().map(|v| v.value);
    let description = format!(
        "{} gaps, each at left, centre and right, {}; the plan wants {} and accepts {} more or less.",
        rows.len(),
        from_to(values, |v| length(v, unit)),
        length(plan.spacing_mm, unit),
        length(plan.tolerance_spacing_mm, unit),
    );
    let lines = rows
        .iter()
        .filter_map(|r| {
            let cells = of(r)?.map(|v| with_interval(v.value, v.u, unit));
            let name = format!("{} to {}", r.row - 1, r.row);
            Some((
                is_beyond(r.findings.gap),
                [vec![name], cells.to_vec()].concat(),
            ))
        })
        .collect();
    html! {
        section {
            h2 { "Gaps between the rows" }
            @if rows.is_empty() { p { "No gap is measured yet." } } @else {
                div.pair {
                    figure {
                        (against_rows(&rows, Drawn {
                            title: "Gap to the row above, by row",
                            description: description.clone(),
                            lines: three(&rows, of),
                            level: plan.spacing_mm,
                            tolerance: Some(plan.tolerance_spacing_mm),
                            scale: Scale::Length(unit),
                        }))
                        figcaption { "Gap to the row above, by row number. " (legend()) }
                    }
                    (table(&format!("Gap ({}), ± 95 %; ! beyond what the plan accepts", unit_name(unit)),
                        &["Gap", "left", "centre", "right"], lines))
                }
            }
        }
    }
}

/// What drift and skew take.
const ALL_GAPS: &str = "it takes every gap since row 1";

fn drift_section(report: &QuiltReport) -> Markup {
    let (plan, unit) = (&report.plan, report.plan.unit);
    let rows: Vec<&MeasuredRow> = report.rows.iter().collect();
    let of = |r: &MeasuredRow| r.drift.as_ref().map(|d| sides(d).map(|(_, v)| v));
    let values = rows.iter().filter_map(|r| of(r)).flatten().map(|v| v.value);
    let description = format!(
        "How far each row lies below (+) or above (-) its place in the plan, {}; the plan accepts {} either way.",
        from_to(values, |v| signed(v, unit) + " " + unit_name(unit)),
        length(plan.tolerance_drift_mm, unit),
    );
    let lines = rows
        .iter()
        .map(|r| {
            let cells = of(r).map_or(vec!["-".to_owned(); 3], |v| {
                v.map(|v| signed_with_interval(v, unit)).to_vec()
            });
            (
                is_beyond(r.findings.drift),
                [vec![r.row.to_string()], cells].concat(),
            )
        })
        .collect();
    html! {
        section {
            h2 { "Drift since row 1" }
            div.pair {
                (charted(&rows, Drawn {
                    title: "Drift by row",
                    description,
                    lines: three(&rows, of),
                    level: 0.0,
                    tolerance: Some(plan.tolerance_drift_mm),
                    scale: Scale::Length(unit),
                }, &html! { "Drift by row number; + is further down the quilt. " (legend()) }, ALL_GAPS))
                (table(&format!("Drift ({}), ± 95 %; ! beyond what the plan accepts", unit_name(unit)),
                    &["Row", "left", "centre", "right"], lines))
            }
        }
    }
}

fn shape_section(report: &QuiltReport) -> Markup {
    let (plan, unit) = (&report.plan, report.plan.unit);
    let rows: Vec<&MeasuredRow> = report.rows.iter().collect();
    let percent = |r: &MeasuredRow| {
        r.skew_mm_per_m.map(|s| Uncertain {
            value: s.value / 10.0,
            u: s.u / 10.0,
        })
    };
    let tolerance = plan.tolerance_skew_mm_per_m / 10.0;
    let values = rows.iter().filter_map(|r| percent(r)).map(|v| v.value);
    let skew = Drawn {
        title: "Skew by row",
        description: format!(
            "Slope of each row against row 1 in percent of the width, + when the right end lies further down, {}; the \
             plan accepts {tolerance:.2} %.",
            from_to(values, |v| format!("{v:.2} %")),
        ),
        lines: one("skew", &rows, percent),
        level: 0.0,
        tolerance: Some(tolerance),
        scale: Scale::Percent,
    };
    let bow = Drawn {
        title: "Bow by row",
        description: format!(
            "How far the middle of each row lies below (+) the line through its ends, {}; the plan accepts {}.",
            from_to(rows.iter().map(|r| r.bow_mm.value), |v| length(v, unit)),
            length(plan.tolerance_bow_mm, unit),
        ),
        lines: one("bow", &rows, |r| Some(r.bow_mm)),
        level: 0.0,
        tolerance: Some(plan.tolerance_bow_mm),
        scale: Scale::Length(unit),
    };
    let shift = Drawn {
        title: "Shift by row",
        description: format!(
            "How far the design of each row lies to the right (+) of where the plan wants it against the row above, {}.",
            from_to(
                rows.iter().filter_map(|r| r.shift_mm).map(|v| v.value),
                |v| length(v, unit)
            ),
        ),
        lines: one("shift", &rows, |r| r.shift_mm),
        level: 0.0,
        tolerance: None,
        scale: Scale::Length(unit),
    };
    let lines = rows
        .iter()
        .map(|r| {
            let or_dash = |v: Option<String>| v.unwrap_or_else(|| "-".to_owned());
            let cells = vec![
                r.row.to_string(),
                or_dash(r.skew_mm_per_m.map(|s| skew_with_side(s.value, s.u))),
                with_interval(r.bow_mm.value, r.bow_mm.u, unit),
                or_dash(r.shift_mm.map(|s| signed_with_interval(s, unit))),
            ];
            (
                is_beyond(r.findings.skew) || is_beyond(Some(r.findings.bow)),
                cells,
            )
        })
        .collect();
    html! {
        section {
            h2 { "Skew, bow and shift" }
            div.pair {
                (charted(&rows, skew, &html! { "Skew by row number, % of the width; + when the right end lies further down." }, ALL_GAPS))
                figure {
                    (against_rows(&rows, bow))
                    figcaption { "Bow by row number; + when the middle lies further down." }
                }
                (charted(&rows, shift, &html! { "Shift by row number, against the row above; + to the right. The plan sets no limit." },
                    "it takes a photo with the row above in it"))
                (table(&format!("Skew (% and the end that is down), bow and shift ({}), ± 95 %; ! beyond what the plan accepts",
                    unit_name(unit)), &["Row", "skew", "bow", "shift"], lines))
            }
        }
    }
}

fn stitching_section(report: &QuiltReport, said: bool, pictures: &[Picture]) -> Markup {
    let unit = report.plan.unit;
    let lines = report
        .rows
        .iter()
        .map(|r| {
            let missed = match r.missed.len() {
                0 => "none".to_owned(),
                n => n.to_string(),
            };
            let mut cells = vec![
                r.row.to_string(),
                never_nothing(r.wobble_mm, unit),
                format!("{:.0} %", (100.0 * r.coverage).floor()),
                missed,
            ];
            if said {
                cells.insert(1, action(r.action).to_owned());
            }
            (!r.missed.is_empty(), cells)
        })
        .collect();
    let missed: Vec<(bool, Vec<String>)> = report
        .rows
        .iter()
        .flat_map(|r| r.missed.iter().map(move |m| (r, m)))
        .map(|(r, m)| {
            let [from, to] = from_middle(r, m, unit);
            let wide = number(m.to_mm - m.from_mm, unit);
            (false, vec![r.row.to_string(), from, to, wide])
        })
        .collect();
    let off: Vec<(bool, Vec<String>)> = report
        .rows
        .iter()
        .flat_map(|r| r.off_design.iter().map(move |part| (r, part)))
        .map(|(r, part)| {
            let middle = (r.seen_from_mm + r.seen_to_mm) / 2.0;
            let cells = vec![
                r.row.to_string(),
                beside(part.from_mm - middle, unit),
                beside(part.to_mm - middle, unit),
                number(part.off_mm, unit),
            ];
            (false, cells)
        })
        .collect();
    let nearest: Vec<(bool, Vec<String>)> = report
        .rows
        .iter()
        .filter_map(|r| {
            let gap = r.gap.as_ref()?;
            let (clearance, x_mm) = (gap.clearance_mm?, gap.clearance_x_mm?);
            let planned = gap.plan_clearance_mm;
            let cells = vec![
                r.row.to_string(),
                format!(
                    "{} ± {}",
                    number(clearance.value, unit),
                    interval(clearance.u, unit)
                ),
                beside(x_mm, unit),
                gap.clearance_row
                    .map_or("-".to_owned(), |row| format!("row {row}")),
                planned.map_or("-".to_owned(), |mm| number(mm, unit)),
            ];
            let crosses = clearance.value < 0.0 && planned.is_none_or(|mm| mm >= 0.0);
            Some((crosses, cells))
        })
        .collect();
    let cut_out = |picture: &&Picture| matches!(picture.shows, Shows::Missed { finished, .. } if finished != said);
    let cut_outs: Vec<(&Picture, String)> = (pictures.iter())
        .filter(cut_out)
        .filter_map(|picture| Some((picture, missed_caption(report, picture)?)))
        .collect();
    let notes: Vec<(u32, &String)> = report
        .rows
        .iter()
        .flat_map(|r| r.notes.iter().map(|n| (r.row, n)))
        .collect();
    html! {
        section {
            h2 { "Stitching" }
            @if said {
                (table(&format!("What each check said, wobble ({}), share of the line found, missed parts", unit_name(unit)),
                    &["Row", "said", "wobble", "found", "missed"], lines))
            } @else {
                (table(&format!("Wobble ({}), share of the line found, missed parts", unit_name(unit)),
                    &["Row", "wobble", "found", "missed"], lines))
            }
            @if !nearest.is_empty() {
                h3 { "Closest stitching" }
                (table(&format!("Where each row comes nearest to the one above, left or right of the middle ({}); below nought they cross", unit_name(unit)),
                    &["Row", "closest", "at", "strays there", "planned"], nearest))
            }
            @if missed.is_empty() { p { "No missed part was found." } } @else {
                h3 { "Missed parts" }
                (table(&format!("Not stitched over this much of a row's width, from the middle of what the photo shows ({})", unit_name(unit)),
                    &["Row", "from", "to", "width"], missed))
                @if !cut_outs.is_empty() {
                    p { "Cut out of the photos. Dashes: where the stitching should be." }
                    div.parts {
                        @for (picture, caption) in &cut_outs {
                            (figure(picture, &format!("{caption}, cut out of its photo, with dashes where the stitching should be"),
                                caption))
                        }
                    }
                }
            }
            @if !off.is_empty() {
                h3 { "Stitched off the design" }
                (table(&format!("From the middle of what the photo shows, and how far off at most ({})", unit_name(unit)),
                    &["Row", "from", "to", "off by"], off))
            }
            @if !notes.is_empty() {
                h3 { "Notes" }
                ul { @for (row, note) in notes { li { "Row " (row) ": " (note) } } }
            }
        }
    }
}

/// Ends of a missed part, from the middle of what the photo shows.
fn from_middle(row: &MeasuredRow, part: &Stretch, unit: LengthUnit) -> [String; 2] {
    let middle = (row.seen_from_mm + row.seen_to_mm) / 2.0;
    [part.from_mm, part.to_mm].map(|mm| beside(mm - middle, unit))
}

fn missed_caption(report: &QuiltReport, picture: &Picture) -> Option<String> {
    let Shows::Missed { row, part, .. } = picture.shows else {
        return None;
    };
    let measured = report.rows.iter().find(|r| r.row == row)?;
    let ends = from_middle(measured, measured.missed.get(part)?, report.plan.unit);
    // No line break within a number.
    let [from, to] = ends.map(|end| end.replace(' ', "\u{a0}"));
    let unit = unit_name(report.plan.unit);
    Some(format!(
        "Row {row}, from {from} to {to} ({unit} from the middle)"
    ))
}

fn conditions_section(report: &QuiltReport, of_rows: bool) -> Markup {
    let unit = report.plan.unit;
    let lines = report
        .rows
        .iter()
        .flat_map(|r| r.photos.iter().map(move |p| (r.row, p)))
        .map(|(row, photo)| {
            let name = std::path::Path::new(&photo.path).file_name();
            let name = name.map_or(photo.path.clone(), |n| n.to_string_lossy().into_owned());
            // Photos of a finished quilt are of no row.
            let row = of_rows.then(|| row.to_string());
            let cells = row.into_iter().chain([
                name,
                photo.cards.join(", "),
                format!("{:.2}", photo.mm_per_px),
                format!("{:.2}", photo.residual_px),
            ]);
            (false, cells.collect())
        })
        .collect();
    html! {
        section {
            h2 { "Conditions" }
            (table("Photos: scale in mm per pixel, and distance of the cards' corners from the solved plane in pixels (RMS)",
                &["Row", "photo", "cards", "mm/px", "corners"][usize::from(!of_rows)..], lines))
            p {
                "95 % intervals reach to either side by, in the middle of a row: gap " (half_widths(report, unit, |r| {
                    r.gap.as_ref().and_then(places).map(|p| p[1].u)
                }))
                "; drift " (half_widths(report, unit, |r| {
                    r.drift.as_ref().filter(|_| r.row > 1).map(|d| d.centre.u)
                }))
                "; bow " (half_widths(report, unit, |r| Some(r.bow_mm.u))) "."
            }
            @if let Some(sentence) = agreement(report) { p { (sentence) } }
            @if !report.not_measured.is_empty() {
                p { "Not measured: " (row_list(&report.not_measured)) "." }
            }
        }
    }
}

fn half_widths(
    report: &QuiltReport,
    unit: LengthUnit,
    u: impl Fn(&MeasuredRow) -> Option<f64>,
) -> String {
    let all: Vec<f64> = report.rows.iter().filter_map(u).collect();
    let least = all.iter().copied().fold(f64::INFINITY, f64::min);
    let most = all.iter().copied().fold(0.0, f64::max);
    let (least, most) = (interval(least, unit), interval(most, unit));
    match all.is_empty() {
        true => "not known".to_owned(),
        false if least == most => format!("{least} {}", unit_name(unit)),
        false => format!("{least} to {most} {}", unit_name(unit)),
    }
}

fn shown(picture: &Picture) -> Option<String> {
    match picture.shows {
        Shows::Row(row) => Some(format!("row {row}")),
        Shows::Finished => Some("the finished quilt".to_owned()),
        Shows::Missed { .. } => None,
    }
}

fn figure(picture: &Picture, alternative: &str, caption: &str) -> Markup {
    html! {
        figure {
            img src=(format!("data:image/jpeg;base64,{}", STANDARD.encode(&picture.jpeg)))
                width=(picture.width) height=(picture.height) alt=(alternative);
            figcaption { (caption) }
        }
    }
}

fn photo_section(pictures: &[Picture]) -> Markup {
    let whole: Vec<(&Picture, String)> = (pictures.iter())
        .filter_map(|picture| Some((picture, shown(picture)?)))
        .collect();
    html! {
        @if !whole.is_empty() {
            section {
                h2 { "Photos" }
                div.pair {
                    @for (picture, shown) in whole {
                        (figure(picture, &format!("Photo of {shown} with the rows as fitted drawn into it"), &capital(&shown)))
                    }
                }
            }
        }
    }
}
