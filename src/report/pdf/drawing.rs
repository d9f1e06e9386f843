//! Our own SVG drawings as marks on a page: shapes, text and photos, styled by the page's sheet.

use super::face::{Face, width};
use super::sheet::{Colour, Sheet};
use kurbo::{Affine, BezPath, Circle, Ellipse, Point, Rect, Shape};
use roxmltree::Node;
use std::str::FromStr;
use svgtypes::{PointsParser, Transform, ViewBox};

/// Something on a page, in points from its upper left corner, y down.
#[derive(Debug, Clone)]
pub(super) enum Mark {
    /// One run of text in one face.
    Text {
        /// Where its baseline starts.
        at: Point,
        /// Turn about that place, clockwise, rad.
        turn: f64,
        size: f64,
        face: Face,
        colour: Colour,
        text: String,
    },
    /// An area, a line, or both.
    Shape {
        path: BezPath,
        fill: Option<Colour>,
        stroke: Option<Stroke>,
        /// 0…1, of both.
        opacity: f64,
    },
    /// A JPEG, by its number in the document.
    Photo { frame: Rect, number: usize },
}

/// How a line is drawn, points.
#[derive(Debug, Clone)]
pub(super) struct Stroke {
    pub colour: Colour,
    pub width: f64,
    pub dashes: Vec<f64>,
}

impl Mark {
    /// Moves it.
    pub fn shift(&mut self, dx: f64, dy: f64) {
        match self {
            Mark::Text { at, .. } => *at += (dx, dy),
            Mark::Shape { path, .. } => path.apply_affine(Affine::translate((dx, dy))),
            Mark::Photo { frame, .. } => *frame = *frame + kurbo::Vec2::new(dx, dy),
        }
    }

    /// A filled rectangle.
    pub fn area(rect: Rect, colour: Colour) -> Mark {
        Mark::Shape {
            path: rect.to_path(0.1),
            fill: Some(colour),
            stroke: None,
            opacity: 1.0,
        }
    }
}

/// Width and height that an `svg` element asks for, in its own units.
pub(super) fn size(svg: Node) -> Option<(f64, f64)> {
    let view = svg
        .attribute("viewBox")
        .and_then(|v| ViewBox::from_str(v).ok());
    let (w, h) = match view {
        Some(view) => (view.w, view.h),
        None => (number(svg, "width")?, number(svg, "height")?),
    };
    (w > 0.0 && h > 0.0).then_some((w, h))
}

/// Draws an `svg` element, its upper left corner at (0, 0), `wide` points wide. `photo` numbers a JPEG given as a
/// data URI. Elements without a look of their own (`title`, `desc`) draw nothing; so do those that our pages do not
/// use (gradients, masks, `use`).
pub(super) fn draw(
    svg: Node,
    sheet: &Sheet,
    wide: f64,
    photo: &mut dyn FnMut(&str) -> Option<usize>,
) -> Vec<Mark> {
    let Some((w, _)) = size(svg) else {
        return Vec::new();
    };
    let view = svg
        .attribute("viewBox")
        .and_then(|v| ViewBox::from_str(v).ok());
    let corner = view.map_or((0.0, 0.0), |v| (-v.x, -v.y));
    let mut pen = Pen {
        sheet,
        photo,
        marks: Vec::new(),
    };
    pen.children(
        svg,
        Affine::scale(wide / w) * Affine::translate(corner),
        1.0,
    );
    pen.marks
}

struct Pen<'a> {
    sheet: &'a Sheet,
    photo: &'a mut dyn FnMut(&str) -> Option<usize>,
    marks: Vec<Mark>,
}

impl Pen<'_> {
    fn children(&mut self, parent: Node, page_from_parent: Affine, opacity: f64) {
        for node in parent.children().filter(Node::is_element) {
            let moved = node
                .attribute("transform")
                .and_then(|t| Transform::from_str(t).ok())
                .map_or(Affine::IDENTITY, |t| {
                    Affine::new([t.a, t.b, t.c, t.d, t.e, t.f])
                });
            let page_from_node = page_from_parent * moved;
            let own = self.sheet.own(node, "opacity").and_then(|o| o.parse().ok());
            let opacity = opacity * own.unwrap_or(1.0f64);
            match node.tag_name().name() {
                "g" | "a" | "svg" => self.children(node, page_from_node, opacity),
                "text" => self.text(node, page_from_node),
                "image" => self.image(node, page_from_node),
                _ => {
                    if let Some(path) = outline(node) {
                        self.shape(node, page_from_node * path, page_from_node, opacity);
                    }
                }
            }
        }
    }

    fn shape(&mut self, node: Node, path: BezPath, page_from_node: Affine, opacity: f64) {
        let sheet = self.sheet;
        // SVG fills in black unless told otherwise, and does not stroke (SVG 2, 13.2).
        let fill = match sheet.inherited(node, "fill") {
            None => Some([0; 3]),
            Some(_) => sheet.colour(node, "fill"),
        };
        let fill = fill.filter(|_| node.tag_name().name() != "line");
        let scale = page_from_node.determinant().abs().sqrt();
        let stroke = sheet.colour(node, "stroke").map(|colour| Stroke {
            colour,
            width: scale * sheet.number(node, "stroke-width").unwrap_or(1.0),
            dashes: sheet
                .inherited(node, "stroke-dasharray")
                .unwrap_or("none")
                .split([' ', ','])
                .filter_map(|d| Some(scale * d.trim().parse::<f64>().ok()?))
                .collect(),
        });
        if fill.is_some() || stroke.is_some() {
            self.marks.push(Mark::Shape {
                path,
                fill,
                stroke,
                opacity,
            });
        }
    }

    fn text(&mut self, node: Node, page_from_node: Affine) {
        let sheet = self.sheet;
        let written = node.descendants().filter(Node::is_text);
        let text: String = written.filter_map(|n| n.text()).collect();
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let scale = page_from_node.determinant().abs().sqrt();
        let size = scale * sheet.number(node, "font-size").unwrap_or(16.0);
        let face = match sheet.inherited(node, "font-weight") {
            Some("bold" | "600" | "700") => Face::Bold,
            _ => Face::Regular,
        };
        let back = match sheet.inherited(node, "text-anchor") {
            Some("middle") => 0.5,
            Some("end") => 1.0,
            _ => 0.0,
        };
        let [a, b, ..] = page_from_node.as_coeffs();
        let turn = b.atan2(a);
        let place = |name| number(node, name).unwrap_or(0.0);
        let at = page_from_node * Point::new(place("x"), place("y"))
            - kurbo::Vec2::from_angle(turn) * (back * width(&text, face, size));
        let colour = match sheet.inherited(node, "fill") {
            None => Some([0; 3]),
            Some(_) => sheet.colour(node, "fill"),
        };
        if let (Some(colour), false) = (colour, text.is_empty()) {
            self.marks.push(Mark::Text {
                at,
                turn,
                size,
                face,
                colour,
                text,
            });
        }
    }

    fn image(&mut self, node: Node, page_from_node: Affine) {
        let href = node
            .attributes()
            .find(|a| a.name() == "href")
            .map(|a| a.value());
        let corner = |n: &str| number(node, n).unwrap_or(0.0);
        let (Some(w), Some(h)) = (number(node, "width"), number(node, "height")) else {
            return;
        };
        let frame = Rect::from_origin_size((corner("x"), corner("y")), (w, h));
        if let Some(number) = href.and_then(|uri| (self.photo)(uri)) {
            let frame = page_from_node.transform_rect_bbox(frame);
            self.marks.push(Mark::Photo { frame, number });
        }
    }
}

fn number(node: Node, name: &str) -> Option<f64> {
    let value = node.attribute(name)?;
    value.trim().trim_end_matches("px").parse().ok()
}

/// The outline of a basic shape or path, in its own frame.
fn outline(node: Node) -> Option<BezPath> {
    let n = |name| number(node, name).unwrap_or(0.0);
    let joined = |closed: bool| {
        let points = node.attribute("points").unwrap_or("");
        let mut path = BezPath::new();
        for (i, (x, y)) in PointsParser::from(points).enumerate() {
            match i {
                0 => path.move_to((x, y)),
                _ => path.line_to((x, y)),
            }
        }
        if closed && !path.is_empty() {
            path.close_path();
        }
        path
    };
    let path = match node.tag_name().name() {
        "rect" => {
            let rect = Rect::from_origin_size((n("x"), n("y")), (n("width"), n("height")));
            match n("rx") {
                r if r > 0.0 => rect.to_rounded_rect(r).to_path(0.01),
                _ => rect.to_path(0.01),
            }
        }
        "line" => BezPath::from_vec(vec![
            kurbo::PathEl::MoveTo((n("x1"), n("y1")).into()),
            kurbo::PathEl::LineTo((n("x2"), n("y2")).into()),
        ]),
        "circle" => Circle::new((n("cx"), n("cy")), n("r")).to_path(0.01),
        "ellipse" => Ellipse::new((n("cx"), n("cy")), (n("rx"), n("ry")), 0.0).to_path(0.01),
        "polyline" => joined(false),
        "polygon" => joined(true),
        "path" => BezPath::from_svg(node.attribute("d")?).ok()?,
        _ => return None,
    };
    (!path.is_empty()).then_some(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(inside: &str) -> Vec<Mark> {
        let xml = format!("<svg viewBox='10 0 100 50'>{inside}</svg>");
        let document = roxmltree::Document::parse(&xml).unwrap();
        let sheet = Sheet::read(".soft{opacity:.5}");
        draw(document.root_element(), &sheet, 200.0, &mut |_| None)
    }

    /// Places by hand: twice as large, and the view begins at x = 10.
    #[test]
    fn shapes_keep_their_places_and_lines_their_widths() {
        let marks = drawn(
            "<title>no mark</title><g class='soft' stroke='#ff0000' stroke-width='3' stroke-dasharray='1 2'>\
             <line x1='10' y1='0' x2='60' y2='20'/></g><path d='M10 10a5 5 0 1 0 10 0z' transform='translate(5)'/>",
        );
        assert_eq!(marks.len(), 2);
        let Mark::Shape {
            path,
            fill,
            stroke: Some(stroke),
            opacity,
        } = &marks[0]
        else {
            panic!("{marks:?}")
        };
        assert_eq!(path.to_svg(), "M0,0 L100,40");
        assert_eq!((*fill, *opacity), (None, 0.5));
        assert_eq!((stroke.width, &stroke.dashes[..]), (6.0, &[2.0, 4.0][..]));
        let Mark::Shape { path, fill, .. } = &marks[1] else {
            panic!("{marks:?}")
        };
        // A half disc of radius 10 about (20, 20); sweep 0 goes below it.
        let bounds = path.bounding_box();
        let expected = Rect::new(10.0, 20.0, 30.0, 30.0);
        assert!(
            (bounds.origin() - expected.origin()).hypot() < 0.01,
            "{bounds}"
        );
        assert!((bounds.area() - expected.area()).abs() < 0.1, "{bounds}");
        assert_eq!(*fill, Some([0; 3]));
    }

    #[test]
    fn anchored_text_ends_at_its_place() {
        let marks = drawn("<text x='60' y='20' font-size='10' text-anchor='end'>A\n A</text>");
        let Mark::Text { at, size, text, .. } = &marks[0] else {
            panic!("{marks:?}")
        };
        assert_eq!((*size, text.as_str()), (20.0, "A A"));
        assert!((at.x + width("A A", Face::Regular, 20.0) - 100.0).abs() < 1e-9);
        assert_eq!(at.y, 40.0);
    }
}
