//! Lines of an SVG drawing (W3C, Scalable Vector Graphics 1.1, second edition, and 2).

use super::{CHORD_MM, DEEPEST, DesignError, Drawn, FARTHEST_MM, MOST_POINTS};
use crate::geometry::Point2;
use kurbo::{Affine, BezPath, PathEl, Shape};
use roxmltree::{Document, Node};
use std::str::FromStr;
use svgtypes::{AspectRatio, Length, LengthUnit, PointsParser, Transform, ViewBox};

/// A user unit without any size is a CSS pixel: 1/96 in (CSS Values 3, 5.2, to which SVG 2 refers).
const PX_MM: f64 = 25.4 / 96.0;

struct Walk<'a> {
    document: &'a Document<'a>,
    pieces: Vec<Vec<Point2>>,
    points: usize,
    nodes: usize,
    /// Ids being expanded, outermost first.
    references: Vec<String>,
}

/// Every drawn line of the file.
pub fn lines(text: &str) -> Result<Drawn, DesignError> {
    let options = roxmltree::ParsingOptions {
        allow_dtd: true,
        nodes_limit: 4_000_000,
        ..roxmltree::ParsingOptions::default()
    };
    let document = Document::parse_with_options(text, options)
        .map_err(|e| DesignError::Broken(e.to_string()))?;
    let root = document.root_element();
    if root.tag_name().name() != "svg" {
        return Err(DesignError::UnknownType);
    }
    let (to_mm, has_size) = root_scale(&root);
    let mut walk = Walk {
        document: &document,
        pieces: Vec::new(),
        points: 0,
        nodes: 0,
        references: Vec::new(),
    };
    let to_mm = to_mm * transform(&root);
    for child in root.children() {
        walk.node(&child, to_mm, 0)?;
    }
    Ok(Drawn {
        pieces: walk.pieces,
        has_size,
    })
}

/// Millimetres of a length, if it has a size of its own.
fn length_mm(text: &str) -> Option<f64> {
    let length = Length::from_str(text.trim()).ok()?;
    let unit = match length.unit {
        LengthUnit::Mm => 1.0,
        LengthUnit::Cm => 10.0,
        LengthUnit::In => 25.4,
        LengthUnit::Pt => 25.4 / 72.0,
        LengthUnit::Pc => 25.4 / 6.0,
        LengthUnit::Px | LengthUnit::None => PX_MM,
        LengthUnit::Em | LengthUnit::Ex | LengthUnit::Percent => return None,
    };
    (length.number > 0.0).then_some(length.number * unit)
}

/// User units to millimetres at the root, and whether that is a real size.
fn root_scale(root: &Node) -> (Affine, bool) {
    let size = |name| root.attribute(name).and_then(length_mm);
    let (width, height) = (size("width"), size("height"));
    let view = root
        .attribute("viewBox")
        .and_then(|v| ViewBox::from_str(v).ok());
    match view {
        Some(view) if view.w > 0.0 && view.h > 0.0 && (width.is_some() || height.is_some()) => {
            let (sx, sy) = match (width, height) {
                (Some(w), Some(h)) => (w / view.w, h / view.h),
                (Some(w), None) => (w / view.w, w / view.w),
                (None, Some(h)) => (h / view.h, h / view.h),
                (None, None) => (PX_MM, PX_MM),
            };
            let fitted = fit(root, sx, sy);
            (fitted * Affine::translate((-view.x, -view.y)), true)
        }
        Some(_) => (Affine::scale(PX_MM), false),
        None => (Affine::scale(PX_MM), width.is_some()),
    }
}

/// preserveAspectRatio: the same scale both ways unless it says none (SVG 1.1, 7.8). Where the drawing
/// lands does not matter to a design.
fn fit(node: &Node, sx: f64, sy: f64) -> Affine {
    let ratio = node
        .attribute("preserveAspectRatio")
        .and_then(|t| AspectRatio::from_str(t).ok())
        .unwrap_or_default();
    match ratio.align {
        svgtypes::Align::None => Affine::scale_non_uniform(sx, sy),
        _ if ratio.slice => Affine::scale(sx.max(sy)),
        _ => Affine::scale(sx.min(sy)),
    }
}

fn transform(node: &Node) -> Affine {
    let Some(t) = node
        .attribute("transform")
        .and_then(|t| Transform::from_str(t).ok())
    else {
        return Affine::IDENTITY;
    };
    Affine::new([t.a, t.b, t.c, t.d, t.e, t.f])
}

fn is_hidden(node: &Node) -> bool {
    let style = node.attribute("style").unwrap_or("");
    let has = |name: &str, value: &str| {
        node.attribute(name) == Some(value)
            || style.split(';').any(|part| {
                part.split_once(':')
                    .is_some_and(|(n, v)| n.trim() == name && v.trim() == value)
            })
    };
    has("display", "none") || has("visibility", "hidden")
}

impl<'a> Walk<'a> {
    fn node(
        &mut self,
        node: &Node<'a, 'a>,
        to_mm: Affine,
        depth: usize,
    ) -> Result<(), DesignError> {
        if !node.is_element() || is_hidden(node) {
            return Ok(());
        }
        self.nodes += 1;
        if self.nodes > MOST_POINTS {
            return Err(DesignError::TooManyPoints);
        }
        if depth > 200 {
            return Err(DesignError::Broken(
                "its groups are nested too deep".to_owned(),
            ));
        }
        let name = node.tag_name().name();
        let inner = to_mm * transform(node);
        let number = |attribute: &str| -> f64 {
            node.attribute(attribute)
                .and_then(|t| Length::from_str(t.trim()).ok())
                .map_or(0.0, |l| match l.unit {
                    LengthUnit::None | LengthUnit::Px => l.number,
                    LengthUnit::Mm => l.number / PX_MM,
                    LengthUnit::Cm => l.number * 10.0 / PX_MM,
                    LengthUnit::In => l.number * 96.0,
                    LengthUnit::Pt => l.number * 96.0 / 72.0,
                    LengthUnit::Pc => l.number * 16.0,
                    _ => l.number,
                })
        };
        match name {
            "g" | "a" | "switch" => {
                for child in node.children() {
                    self.node(&child, inner, depth + 1)?;
                }
                Ok(())
            }
            "svg" => self.nested(
                node,
                inner * Affine::translate((number("x"), number("y"))),
                depth,
            ),
            "use" => {
                let link = node
                    .attribute("href")
                    .or_else(|| node.attribute(("http://www.w3.org/1999/xlink", "href")))
                    .and_then(|h| h.strip_prefix('#'))
                    .unwrap_or("");
                let at = inner * Affine::translate((number("x"), number("y")));
                self.reference(link, at, depth)
            }
            "path" => {
                let data = node.attribute("d").unwrap_or("");
                let path = BezPath::from_svg(data).map_err(|e| {
                    DesignError::Broken(format!("the path {} is wrong: {e}", named(node)))
                })?;
                self.draw(path, inner)
            }
            "line" => {
                let mut path = BezPath::new();
                path.move_to((number("x1"), number("y1")));
                path.line_to((number("x2"), number("y2")));
                self.draw(path, inner)
            }
            "polyline" | "polygon" => {
                let mut path = BezPath::new();
                for (i, p) in PointsParser::from(node.attribute("points").unwrap_or("")).enumerate()
                {
                    if i == 0 {
                        path.move_to(p)
                    } else {
                        path.line_to(p)
                    }
                }
                if name == "polygon" && !path.is_empty() {
                    path.close_path();
                }
                self.draw(path, inner)
            }
            "rect" => {
                let (x, y) = (number("x"), number("y"));
                let rect = kurbo::Rect::new(x, y, x + number("width"), y + number("height"));
                self.draw(rect.to_path(0.01), inner)
            }
            "circle" | "ellipse" => {
                // What is larger is refused when drawn, and would be split without end before.
                let radius = |name| number(name).min(1e12);
                let (rx, ry) = if name == "circle" {
                    (radius("r"), radius("r"))
                } else {
                    (radius("rx"), radius("ry"))
                };
                let ellipse = kurbo::Ellipse::new((number("cx"), number("cy")), (rx, ry), 0.0);
                self.draw(ellipse.to_path(1e-4), inner)
            }
            _ => Ok(()),
        }
    }

    /// A nested svg or symbol with a view of its own.
    fn nested(&mut self, node: &Node<'a, 'a>, at: Affine, depth: usize) -> Result<(), DesignError> {
        let view = node
            .attribute("viewBox")
            .and_then(|v| ViewBox::from_str(v).ok());
        let side = |name| {
            node.attribute(name)
                .and_then(|t| Length::from_str(t).ok())
                .map(|l| l.number)
        };
        let inner = match (view, side("width"), side("height")) {
            (Some(v), Some(w), Some(h)) if v.w > 0.0 && v.h > 0.0 => {
                at * fit(node, w / v.w, h / v.h) * Affine::translate((-v.x, -v.y))
            }
            _ => at,
        };
        for child in node.children() {
            self.node(&child, inner, depth + 1)?;
        }
        Ok(())
    }

    fn reference(&mut self, id: &str, at: Affine, depth: usize) -> Result<(), DesignError> {
        if self.references.iter().any(|r| r == id) || self.references.len() >= DEEPEST {
            return Err(DesignError::SelfReference(id.to_owned()));
        }
        let document = self.document;
        let target = document
            .descendants()
            .find(|n| n.attribute("id") == Some(id))
            .ok_or_else(|| DesignError::MissingReference(id.to_owned()))?;
        // A part that holds the reference to itself.
        self.references.push(id.to_owned());
        let result = if target.tag_name().name() == "symbol" {
            self.nested(&target, at * transform(&target), depth + 1)
        } else {
            self.node(&target, at, depth + 1)
        };
        self.references.pop();
        result
    }

    /// Breaks a path into chords, mm.
    fn draw(&mut self, path: BezPath, to_mm: Affine) -> Result<(), DesignError> {
        let path = to_mm * path;
        let all = path.control_box();
        if [all.x0, all.y0, all.x1, all.y1]
            .iter()
            .any(|v| v.abs() > FARTHEST_MM)
        {
            return Err(DesignError::NotFinite);
        }
        let mut too_many = false;
        let mut pieces: Vec<Vec<Point2>> = Vec::new();
        let mut start = kurbo::Point::ZERO;
        let mut count = self.points;
        kurbo::flatten(path, CHORD_MM, |element| {
            if count > MOST_POINTS {
                too_many = true;
                return;
            }
            count += 1;
            match element {
                PathEl::MoveTo(p) => {
                    start = p;
                    pieces.push(vec![Point2::new(p.x, p.y)]);
                }
                PathEl::LineTo(p) => {
                    if pieces.is_empty() {
                        pieces.push(vec![Point2::new(start.x, start.y)]);
                    }
                    if let Some(piece) = pieces.last_mut() {
                        piece.push(Point2::new(p.x, p.y));
                    }
                }
                PathEl::ClosePath => {
                    if let Some(piece) = pieces.last_mut() {
                        piece.push(Point2::new(start.x, start.y));
                    }
                }
                PathEl::QuadTo(..) | PathEl::CurveTo(..) => {}
            }
        });
        self.points = count;
        if too_many {
            return Err(DesignError::TooManyPoints);
        }
        self.pieces.extend(pieces);
        Ok(())
    }
}

fn named(node: &Node) -> String {
    node.attribute("id").map_or_else(
        || {
            format!(
                "in line {}",
                node.document().text_pos_at(node.range().start).row
            )
        },
        |id| format!("`{id}`"),
    )
}
