//! The check drawn on its photo: rows as fitted, where the plan puts the newest one, the gaps with
//! their spacing, what was missed, and the verdict above it.
//!
//! Colours are from the palette of Okabe and Ito (Color Universal Design, 2008), which stays apart
//! for all common kinds of colour vision; every line has a contrasting casing and its own width or
//! dash as well, so nothing rests on colour alone.

pub mod canvas;
pub mod lettering;

use crate::geometry::Point2;
use crate::photo::shrink::shrink;
use crate::plan::Plan;
use crate::record::{Action, At, GapRecord, OffDesign, Record, RowRecord};
use crate::verdict::conformity::{Finding, judge};
use crate::verdict::words::{interval, is_nothing, length, number, side, signed, unit_name};
use crate::verdict::{caution, headline};
use canvas::{Canvas, Colour, Ink, Rect, dashes};
use image::{Rgb, RgbImage};
use lettering::{capital_height, shorten, text_width, wrap};

/// Longer side of the photo in the picture, px.
pub const LONGEST_PX: u32 = 1600;

/// Lines may leave the picture by this much before they are cut, px.
const MARGIN_PX: f64 = 60.0;

const WHITE: Colour = [255, 255, 255];
const BLACK: Colour = [0, 0, 0];
const NIGHT: Colour = [24, 28, 33];
const PALE: Colour = [205, 211, 217];
const SKY_BLUE: Colour = [86, 180, 233];
const YELLOW: Colour = [240, 228, 66];
const ORANGE: Colour = [230, 159, 0];
const VERMILION: Colour = [213, 94, 0];
const BLUISH_GREEN: Colour = [0, 158, 115];
const REDDISH_PURPLE: Colour = [204, 121, 167];

/// What to draw. Points in mm are in the quilt frame of the record; px are those of the photo.
pub struct Overlay<'a> {
    /// The photo, upright, or made smaller.
    pub photo: &'a RgbImage,
    /// Its pixels per pixel of the photo as it was measured.
    pub photo_scale: f64,
    /// Takes a point of the quilt (mm) to the photo (px); `None` where it lies behind the camera.
    pub photo_from_quilt: &'a dyn Fn(Point2) -> Option<Point2>,
    /// Every row seen.
    pub rows: &'a [OverlayRow],
    /// Outlines of the cards found, px, closed or not.
    pub cards_px: &'a [Vec<Point2>],
    /// The finished check; its gaps are drawn where their x says.
    pub record: &'a Record,
    /// The plan: unit and tolerances.
    pub plan: &'a Plan,
    /// Name or path of the photo; the caption shows the file name.
    pub name: &'a str,
    /// What the caption begins with instead of what to do at the next advance, where there is none.
    pub title: Option<&'a str>,
}

/// One row as it is drawn.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct OverlayRow {
    /// Row number.
    pub number: u32,
    /// The design as fitted, over what is seen, mm.
    pub line_mm: Vec<Vec<Point2>>,
    /// The fitted baseline, left to right, mm.
    pub baseline_mm: Vec<Point2>,
    /// Where the plan puts the baseline, left to right, mm; drawn for the newest row.
    pub planned_baseline_mm: Option<Vec<Point2>>,
    /// Parts of the design that were not stitched, mm.
    pub missed: Vec<Vec<Point2>>,
    /// Parts where the stitching could not be told from the fabric, mm.
    pub weak: Vec<Vec<Point2>>,
}

/// Draws a check on its photo: at most 1600 px on the photo's longer side, a caption above it and a
/// legend below it.
pub fn draw(overlay: &Overlay) -> RgbImage {
    let (small, scale) = shrink(overlay.photo, LONGEST_PX);
    let mut scene = Scene::new(overlay, small, scale * overlay.photo_scale);
    scene.lines();
    scene.row_numbers();
    scene.missed_labels();
    scene.off_design_labels();
    scene.gaps();
    scene.plates();
    let unit_px = scene.unit_px;
    let drawn = scene.canvas.finish();
    let caption = caption(overlay, drawn.width(), unit_px);
    let legend = legend(overlay, drawn.width(), unit_px);
    stack([caption, drawn, legend])
}

/// A label waiting for its place; labels are set last so that none lies under a line.
struct Label {
    lines: Vec<String>,
    size_px: f32,
    edge: Colour,
    rect: Rect,
}

struct Scene<'a> {
    overlay: &'a Overlay<'a>,
    canvas: Canvas,
    scale: f64,
    size: (f32, f32),
    /// Type and line sizes are in this unit: 1 for a picture 1600 px wide, less for smaller ones.
    unit_px: f32,
    labels: Vec<Label>,
}

impl<'a> Scene<'a> {
    fn new(overlay: &'a Overlay<'a>, small: RgbImage, scale: f64) -> Self {
        let size = (small.width() as f32, small.height() as f32);
        // Below 0.55 the smallest letters could not be read any more.
        let unit_px = (size.0.max(size.1) / LONGEST_PX as f32).clamp(0.55, 1.0);
        Scene {
            overlay,
            canvas: Canvas::new(small),
            scale,
            size,
            unit_px,
            labels: Vec::new(),
        }
    }

    fn lines(&mut self) {
        let overlay = self.overlay;
        let unit = self.unit_px;
        let ink = |colour, width_px: f32, opacity| Ink {
            colour,
            width_px: width_px * unit,
            casing: BLACK,
            casing_px: 1.3 * unit,
            opacity,
        };
        let cards: Vec<_> = overlay
            .cards_px
            .iter()
            .map(|outline| {
                let corners = outline.iter().chain(outline.first());
                corners
                    .map(|corner| corner * self.scale)
                    .collect::<Vec<_>>()
            })
            .collect();
        self.canvas.stroke(&cards, ink(WHITE, 2.0, 0.9));

        let of_rows = |part: &dyn Fn(&OverlayRow) -> Vec<Vec<Point2>>| {
            let lines = overlay.rows.iter().flat_map(part);
            lines
                .flat_map(|line| self.on_canvas(&line))
                .collect::<Vec<_>>()
        };
        let fitted = of_rows(&|row| row.line_mm.clone());
        let baselines = of_rows(&|row| vec![row.baseline_mm.clone()]);
        let weak = of_rows(&|row| row.weak.clone());
        let missed = of_rows(&|row| row.missed.clone());
        let off_design: Vec<Vec<Point2>> = (self.off_design().into_iter())
            .flat_map(|(_, line)| line)
            .collect();
        let newest = overlay.rows.iter().max_by_key(|row| row.number);
        let planned = newest.and_then(|row| row.planned_baseline_mm.as_deref());
        let planned = planned.map_or(Vec::new(), |line| self.on_canvas(line));
        let dashed = |lines: &[Vec<Point2>], on: f32, off: f32| -> Vec<Vec<Point2>> {
            let (on, off) = (f64::from(on * unit), f64::from(off * unit));
            lines
                .iter()
                .flat_map(|line| dashes(line, on, off))
                .collect()
        };
        // Thin and not quite opaque: the thread below has to stay visible for comparison.
        self.canvas.stroke(&fitted, ink(SKY_BLUE, 2.6, 0.85));
        self.canvas
            .stroke(&dashed(&weak, 4.0, 6.0), ink(REDDISH_PURPLE, 4.5, 1.0));
        self.canvas.stroke(&missed, ink(VERMILION, 6.0, 1.0));
        self.canvas
            .stroke(&dashed(&off_design, 14.0, 7.0), ink(ORANGE, 5.0, 1.0));
        self.canvas.stroke(&baselines, ink(WHITE, 2.0, 0.9));
        self.canvas
            .stroke(&dashed(&planned, 16.0, 10.0), ink(YELLOW, 3.0, 1.0));
    }

    fn row_numbers(&mut self) {
        for row in self.overlay.rows {
            let line = self.on_canvas(&row.baseline_mm);
            let visible = line.into_iter().flatten().filter(|point| self.sees(*point));
            let visible: Vec<Point2> = visible.collect();
            // Not at the very end, where the arrows of the left gaps stand.
            let Some(place) = visible.get(visible.len() / 6).copied() else {
                continue;
            };
            let label = (
                vec![format!("Row {}", row.number)],
                25.0 * self.unit_px,
                SKY_BLUE,
            );
            self.label_near(label, place, &[(0.0, 0.0), (1.0, 0.0), (-1.0, 0.0)], 0.0);
        }
    }

    /// What was stitched off the design, each with the pieces of the design that were left, on the canvas.
    fn off_design(&self) -> Vec<(OffDesign, Vec<Vec<Point2>>)> {
        let overlay = self.overlay;
        let parts = overlay.record.rows.iter().flat_map(|record| {
            let drawn = overlay.rows.iter().find(|row| row.number == record.row);
            let parts = record.off_design.iter();
            parts.filter_map(move |part| Some((*part, design_within(drawn?, record, part))))
        });
        let on_canvas =
            |line: Vec<Vec<Point2>>| line.iter().flat_map(|l| self.on_canvas(l)).collect();
        parts.map(|(part, line)| (part, on_canvas(line))).collect()
    }

    fn off_design_labels(&mut self) {
        for (part, line) in self.off_design() {
            let line: Vec<Point2> = line.into_iter().flatten().collect();
            let Some(middle) = line.get(line.len() / 2).copied() else {
                continue;
            };
            let off = length(part.off_mm, self.overlay.plan.unit);
            self.label_beside(format!("off the design: {off}"), ORANGE, middle);
        }
    }

    fn missed_labels(&mut self) {
        let stretches: Vec<f64> = {
            let rows = self.overlay.record.rows.iter();
            rows.flat_map(|row| {
                row.missed
                    .iter()
                    .map(|missed| missed.to_mm - missed.from_mm)
            })
            .collect()
        };
        let parts = self.overlay.rows.iter().flat_map(|row| &row.missed);
        let parts: Vec<Vec<Point2>> = parts.cloned().collect();
        for (index, part) in parts.iter().enumerate() {
            let line: Vec<Point2> = self.on_canvas(part).into_iter().flatten().collect();
            let Some(middle) = line.get(line.len() / 2).copied() else {
                continue;
            };
            let text = match stretches
                .get(index)
                .filter(|_| stretches.len() == parts.len())
            {
                Some(mm) => format!(
                    "not stitched over {} of the width",
                    length(*mm, self.overlay.plan.unit)
                ),
                None => "not stitched".to_owned(),
            };
            self.label_beside(text, VERMILION, middle);
        }
    }

    /// A label near a part of the stitching, clear of it.
    fn label_beside(&mut self, text: String, edge: Colour, middle: Point2) {
        let label = (vec![text], 22.0 * self.unit_px, edge);
        let beside = 26.0 * f64::from(self.unit_px);
        let sides = [
            (0.0, 1.0),
            (0.0, -1.0),
            (1.0, 1.0),
            (-1.0, 1.0),
            (1.0, -1.0),
            (-1.0, -1.0),
        ];
        self.label_near(label, middle, &sides, beside);
    }

    fn gaps(&mut self) {
        let overlay = self.overlay;
        for gap in &overlay.record.gaps {
            for place in &gap.spacing {
                let ends = [gap.from_row, gap.to_row].map(|number| {
                    let row = overlay.rows.iter().find(|row| row.number == number)?;
                    let y = height_at(&row.baseline_mm, place.x_mm)?;
                    let on_photo = (overlay.photo_from_quilt)(Point2::new(place.x_mm, y))?;
                    Some(on_photo * self.scale)
                });
                let [Some(top), Some(bottom)] = ends else {
                    continue;
                };
                let middle = nalgebra::center(&top, &bottom);
                // A label of a gap that is out of view would lie on that of another.
                if ![top, middle, bottom].into_iter().any(|at| self.sees(at)) {
                    continue;
                }
                self.arrow(top, bottom);
                let deviation = self.deviation(gap, place.value, place.u);
                let plan = overlay.plan;
                let label = (
                    vec![length(place.value, plan.unit), deviation.0],
                    23.0 * self.unit_px,
                    deviation.1,
                );
                let beside = 12.0 * f64::from(self.unit_px);
                let sides = match place.at {
                    At::Right => [(-1.0, 0.0), (1.0, 0.0)],
                    At::Left | At::Centre => [(1.0, 0.0), (-1.0, 0.0)],
                };
                self.label_near(label, middle, &sides, beside);
            }
        }
    }

    /// What the label of a gap says below its spacing, and the colour of its edge.
    fn deviation(&self, gap: &GapRecord, value_mm: f64, u_mm: f64) -> (String, Colour) {
        let plan = self.overlay.plan;
        let mm = value_mm - gap.plan_mm;
        let deviation = crate::units::Uncertain { value: mm, u: u_mm };
        let amount = length(mm.abs(), plan.unit);
        let direction = if mm > 0.0 { "too wide" } else { "too narrow" };
        match judge(deviation, plan.tolerance.spacing_mm) {
            Finding::Inside if is_nothing(mm, plan.unit) => ("on plan".to_owned(), BLUISH_GREEN),
            Finding::Inside => {
                let unit = unit_name(plan.unit);
                (
                    format!("{} {unit}, fine", signed(mm, plan.unit)),
                    BLUISH_GREEN,
                )
            }
            Finding::Near => (format!("{amount} {direction}"), ORANGE),
            Finding::Beyond => (format!("{amount} {direction}"), VERMILION),
            Finding::Unsettled => {
                let half_width = interval(u_mm, plan.unit);
                (
                    format!("not sure: ± {half_width} {}", unit_name(plan.unit)),
                    REDDISH_PURPLE,
                )
            }
        }
    }

    fn arrow(&mut self, top: Point2, bottom: Point2) {
        let unit = f64::from(self.unit_px);
        let along = bottom - top;
        let length = along.norm();
        if length < 1.0 {
            return;
        }
        let along = along / length;
        let across = nalgebra::Vector2::new(-along.y, along.x);
        let head = (20.0 * unit).min(length / 2.5);
        let tip = |end: Point2, inward: f64, grow: f64| {
            let base = end + along * (inward * (head + grow));
            let half = 0.42 * head + grow;
            vec![
                end - along * (inward * grow),
                base + across * half,
                base - across * half,
            ]
        };
        let shaft = vec![top + along * (head * 0.8), bottom - along * (head * 0.8)];
        let ink = Ink {
            colour: WHITE,
            width_px: 3.5 * self.unit_px,
            casing: BLACK,
            casing_px: 1.6 * self.unit_px,
            opacity: 1.0,
        };
        for grow in [2.0 * unit, 0.0] {
            let colour = if grow > 0.0 { BLACK } else { WHITE };
            self.canvas.fill(&tip(top, 1.0, grow), colour);
            self.canvas.fill(&tip(bottom, -1.0, grow), colour);
            if grow > 0.0 {
                self.canvas.stroke(std::slice::from_ref(&shaft), ink);
            }
        }
    }

    /// Finds a place for a label beside a point, the first of `sides` that is free, else the freest.
    fn label_near(
        &mut self,
        (lines, size_px, edge): (Vec<String>, f32, Colour),
        point: Point2,
        sides: &[(f32, f32)],
        beside_px: f64,
    ) {
        let pad = 0.42 * size_px;
        let width = lines
            .iter()
            .map(|line| text_width(line, size_px))
            .fold(0.0, f32::max)
            + 2.0 * pad;
        let height = size_px * 1.05 * lines.len() as f32 + pad;
        let beside = beside_px as f32;
        let candidate = |&(right, down): &(f32, f32)| {
            let left = point.x as f32 - width / 2.0 + right * (width / 2.0 + beside);
            let top = point.y as f32 - height / 2.0 + down * (height / 2.0 + beside);
            let edge = 3.0 * self.unit_px;
            Rect {
                left: left.clamp(edge, (self.size.0 - width - edge).max(edge)),
                top: top.clamp(edge, (self.size.1 - height - edge).max(edge)),
                width,
                height,
            }
        };
        let taken = |rect: &Rect| -> f32 { self.labels.iter().map(|l| l.rect.overlap(rect)).sum() };
        let rect = sides
            .iter()
            .map(candidate)
            .min_by(|a, b| taken(a).total_cmp(&taken(b)))
            .expect("every label has a side to stand on");
        self.labels.push(Label {
            lines,
            size_px,
            edge,
            rect,
        });
    }

    fn plates(&mut self) {
        for label in &self.labels {
            let Label {
                lines,
                size_px,
                edge,
                rect,
            } = label;
            let radius = 0.25 * size_px;
            let border = 2.5 * self.unit_px;
            let outer = Rect {
                left: rect.left - border,
                top: rect.top - border,
                width: rect.width + 2.0 * border,
                height: rect.height + 2.0 * border,
            };
            self.canvas.plate(outer, radius + border, *edge, 1.0);
            self.canvas.plate(*rect, radius, NIGHT, 1.0);
            for (index, line) in lines.iter().enumerate() {
                let middle = rect.top
                    + rect.height / 2.0
                    + (index as f32 - (lines.len() as f32 - 1.0) / 2.0) * size_px * 1.05;
                let x = rect.left + (rect.width - text_width(line, *size_px)) / 2.0;
                let baseline = middle + capital_height(*size_px) / 2.0;
                self.canvas.text(line, x, baseline, *size_px, WHITE);
            }
        }
    }

    fn sees(&self, point: Point2) -> bool {
        (0.0..f64::from(self.size.0)).contains(&point.x)
            && (0.0..f64::from(self.size.1)).contains(&point.y)
    }

    /// A line of the quilt on the small picture, cut where it leaves the picture.
    fn on_canvas(&self, line_mm: &[Point2]) -> Vec<Vec<Point2>> {
        let (width, height) = (f64::from(self.size.0), f64::from(self.size.1));
        let mut parts = vec![Vec::new()];
        for point in line_mm {
            let point = (self.overlay.photo_from_quilt)(*point).map(|point| point * self.scale);
            let near = point.filter(|point| {
                (-MARGIN_PX..width + MARGIN_PX).contains(&point.x)
                    && (-MARGIN_PX..height + MARGIN_PX).contains(&point.y)
            });
            match (near, parts.last_mut()) {
                (Some(point), Some(part)) => part.push(point),
                _ => parts.push(Vec::new()),
            }
        }
        parts.retain(|part| part.len() > 1);
        parts
    }
}

/// The pieces of a row's fitted design along a part that was stitched off it, mm. The record counts x from where it says;
/// the row as drawn begins where the record says that it was seen from.
fn design_within(drawn: &OverlayRow, record: &RowRecord, part: &OffDesign) -> Vec<Vec<Point2>> {
    let Some(first) = drawn.baseline_mm.first() else {
        return Vec::new();
    };
    let from_record = first.x - record.seen_from_mm;
    let within = (part.from_mm + from_record)..=(part.to_mm + from_record);
    let lines = drawn.line_mm.iter();
    let pieces =
        lines.flat_map(|line| line.chunk_by(|a, b| within.contains(&a.x) == within.contains(&b.x)));
    pieces
        .filter(|piece| piece.len() > 1 && within.contains(&piece[0].x))
        .map(<[Point2]>::to_vec)
        .collect()
}

/// y of a left-to-right line at x, straight between its points and beyond its ends.
fn height_at(line_mm: &[Point2], x_mm: f64) -> Option<f64> {
    let after = line_mm
        .partition_point(|point| point.x < x_mm)
        .clamp(1, line_mm.len().max(2) - 1);
    let (a, b) = (line_mm.get(after - 1)?, line_mm.get(after)?);
    (b.x > a.x).then(|| a.y + (b.y - a.y) * (x_mm - a.x) / (b.x - a.x))
}

/// The band above the photo: verdict, amounts for the next advance, first reasons.
fn caption(overlay: &Overlay, width: u32, unit_px: f32) -> RgbImage {
    let Overlay { record, plan, .. } = overlay;
    let (edge, gap) = (34.0 * unit_px, 12.0 * unit_px);
    let available = width as f32 - edge - gap;
    let mut lines: Vec<(String, f32, Colour)> = Vec::new();
    let mut add = |text: &str, size: f32, colour: Colour, at_most: usize| {
        let wrapped = wrap(text, size * unit_px, available);
        lines.extend(
            wrapped
                .into_iter()
                .take(at_most)
                .map(|line| (line, size * unit_px, colour)),
        );
    };
    let verdict = overlay
        .title
        .map_or_else(|| headline(record), str::to_owned);
    add(&verdict, 52.0, WHITE, 3);
    if let Some(trim) = record.verdict.next_advance_mm {
        let sides = [
            (At::Left, trim.left),
            (At::Centre, trim.centre),
            (At::Right, trim.right),
        ];
        let roll = sides
            .map(|(at, mm)| format!("{} {}", side(at), number(plan.spacing_mm + mm, plan.unit)));
        let what = match record.verdict.action {
            Action::ReSquare => "Roll on, squaring included",
            _ => "Roll on by",
        };
        let text = format!("{what} ({}): {}", unit_name(plan.unit), roll.join(", "));
        add(&text, 34.0, WHITE, 2);
    }
    for reason in record.verdict.reasons.iter().take(4) {
        add(reason, 25.0, PALE, 3);
    }

    let line_height = |size: f32| 1.18 * size;
    let height = lines
        .iter()
        .map(|(_, size, _)| line_height(*size))
        .sum::<f32>()
        + 2.0 * gap;
    let mut canvas = band(width, height);
    let bar = Rect {
        left: 0.0,
        top: 0.0,
        width: 0.55 * edge,
        height,
    };
    canvas.plate(bar, 0.0, action_colour(record.verdict.action), 1.0);
    let mut top = gap;
    for (index, (text, size, colour)) in lines.iter().enumerate() {
        let baseline = top + (line_height(*size) + capital_height(*size)) / 2.0;
        canvas.text(text, edge, baseline, *size, *colour);
        if index == 0 {
            let room = available - text_width(text, *size) - 3.0 * gap;
            let small = 25.0 * unit_px;
            let newest = record.rows.last().filter(|_| overlay.title.is_none());
            let file = overlay
                .name
                .rsplit(['/', '\\'])
                .next()
                .unwrap_or_default()
                .to_owned();
            let of_row = newest.map(|row| format!("row {} of {}", row.row, plan.rows));
            let right = [of_row.unwrap_or_default(), file].map(|text| shorten(&text, small, room));
            for (line, text) in right.iter().enumerate() {
                let x = width as f32 - gap - text_width(text, small);
                let baseline = top + capital_height(small) * 1.2 + line as f32 * line_height(small);
                canvas.text(text, x, baseline, small, PALE);
            }
        }
        top += line_height(*size);
    }
    canvas.finish()
}

/// Words, colour, line width in units, and dash with its pause in mm.
type LegendEntry = (String, Colour, f32, Option<(f64, f64)>);

/// The band below the photo: what the lines mean, and the caution.
fn legend(overlay: &Overlay, width: u32, unit_px: f32) -> RgbImage {
    let Overlay {
        record, plan, rows, ..
    } = overlay;
    let newest = rows.iter().max_by_key(|row| row.number);
    let any = |part: fn(&OverlayRow) -> bool| rows.iter().any(part);
    let planned = newest.filter(|row| row.planned_baseline_mm.is_some());
    let entries: Vec<LegendEntry> = [
        (!rows.is_empty()).then(|| ("stitching as fitted".to_owned(), SKY_BLUE, 2.5, None)),
        (!rows.is_empty()).then(|| ("middle of the row".to_owned(), WHITE, 2.5, None)),
        planned.map(|row| {
            (
                format!("row {} as planned", row.number),
                YELLOW,
                3.0,
                Some((16.0, 10.0)),
            )
        }),
        any(|row| !row.missed.is_empty())
            .then(|| ("not stitched".to_owned(), VERMILION, 6.0, None)),
        (record.rows.iter().any(|row| !row.off_design.is_empty())).then(|| {
            (
                "stitched off the design".to_owned(),
                ORANGE,
                5.0,
                Some((14.0, 7.0)),
            )
        }),
        any(|row| !row.weak.is_empty()).then(|| {
            (
                "stitching not seen".to_owned(),
                REDDISH_PURPLE,
                4.5,
                Some((4.0, 6.0)),
            )
        }),
    ]
    .into_iter()
    .flatten()
    .collect();

    let (gap, size, swatch) = (14.0 * unit_px, 23.0 * unit_px, 62.0 * unit_px);
    // Set the entries in lines first, since their number gives the band its height.
    let (mut x, mut line) = (gap, 0_u32);
    let mut places = Vec::new();
    for (text, ..) in &entries {
        let wide = swatch + 0.8 * gap + text_width(text, size) + 2.2 * gap;
        if x + wide > width as f32 && x > gap {
            (x, line) = (gap, line + 1);
        }
        places.push((x, line));
        x += wide;
    }
    let line_height = 1.45 * size;
    let accepted = length(plan.tolerance.spacing_mm, plan.unit);
    let caution = match overlay.title {
        Some(_) => "",
        None => caution(record),
    };
    let notes = format!("Gaps: the plan accepts ± {accepted}. {caution}");
    let small = 21.0 * unit_px;
    let notes = wrap(&notes, small, width as f32 - 2.0 * gap);
    let entry_lines = if entries.is_empty() {
        0.0
    } else {
        f64::from(line) as f32 + 1.0
    };
    let height = entry_lines * line_height + notes.len() as f32 * 1.25 * small + 1.6 * gap;

    let mut canvas = band(width, height);
    for ((text, colour, width_px, dash), (x, line)) in entries.iter().zip(places) {
        let middle = 0.6 * gap + (line as f32 + 0.5) * line_height;
        let sample = [x, x + swatch]
            .map(|x| Point2::new(f64::from(x), f64::from(middle)))
            .to_vec();
        let sample = match dash {
            Some((on, off)) => dashes(&sample, on * f64::from(unit_px), off * f64::from(unit_px)),
            None => vec![sample],
        };
        let ink = Ink {
            colour: *colour,
            width_px: width_px * unit_px,
            casing: BLACK,
            casing_px: 1.3 * unit_px,
            opacity: 1.0,
        };
        canvas.stroke(&sample, ink);
        let baseline = middle + capital_height(size) / 2.0;
        canvas.text(text, x + swatch + 0.8 * gap, baseline, size, WHITE);
    }
    let first = 0.8 * gap + entry_lines * line_height;
    for (index, line) in notes.iter().enumerate() {
        canvas.text(
            line,
            gap,
            first + (index as f32 * 1.25 + 0.95) * small,
            small,
            PALE,
        );
    }
    canvas.finish()
}

fn band(width: u32, height: f32) -> Canvas {
    Canvas::new(RgbImage::from_pixel(
        width,
        height.ceil().max(1.0) as u32,
        Rgb(NIGHT),
    ))
}

fn action_colour(action: Action) -> Colour {
    match action {
        Action::CarryOn => BLUISH_GREEN,
        Action::Trim => ORANGE,
        Action::ReSquare => VERMILION,
        Action::Retake => REDDISH_PURPLE,
    }
}

/// Pictures of one width, one below the other.
fn stack(pictures: [RgbImage; 3]) -> RgbImage {
    let width = pictures[0].width();
    let height = pictures.iter().map(RgbImage::height).sum();
    let pixels = pictures.map(RgbImage::into_raw).concat();
    RgbImage::from_raw(width, height, pixels).expect("all parts of the picture have its width")
}

#[cfg(test)]
mod tests;
