//! Lines of a DXF drawing (the published DXF Reference, edition of 2012:
//! entities, bulge, $INSUNITS). y points up in it and down here.

use super::{CHORD_MM, DEEPEST, DesignError, Drawn, FARTHEST_MM, HIGHEST_DEGREE, MOST_POINTS};
use crate::geometry::Point2;
use dxf::entities::{Entity, EntityType};
use dxf::enums::Units;
use kurbo::Affine;
use std::f64::consts::TAU;

struct Walk<'a> {
    drawing: &'a dxf::Drawing,
    pieces: Vec<Vec<Point2>>,
    points: usize,
    references: Vec<String>,
}

/// Every drawn line of the file.
pub fn lines(bytes: &[u8]) -> Result<Drawn, DesignError> {
    let drawing = dxf::Drawing::load(&mut std::io::Cursor::new(bytes))
        .map_err(|e| DesignError::Broken(e.to_string()))?;
    // $INSUNITS, group code 70.
    let unit_mm = match drawing.header.default_drawing_units {
        Units::Inches => Some(25.4),
        Units::Feet => Some(304.8),
        Units::Millimeters => Some(1.0),
        Units::Centimeters => Some(10.0),
        Units::Meters => Some(1000.0),
        Units::Mils => Some(0.0254),
        Units::Yards => Some(914.4),
        Units::Microns => Some(0.001),
        Units::Decimeters => Some(100.0),
        _ => None,
    };
    let scale = unit_mm.unwrap_or(1.0);
    let mut walk = Walk {
        drawing: &drawing,
        pieces: Vec::new(),
        points: 0,
        references: Vec::new(),
    };
    let to_mm = Affine::scale_non_uniform(scale, -scale);
    for entity in drawing.entities() {
        walk.entity(entity, to_mm)?;
    }
    Ok(Drawn {
        pieces: walk.pieces,
        has_size: unit_mm.is_some(),
    })
}

impl Walk<'_> {
    fn entity(&mut self, entity: &Entity, to_mm: Affine) -> Result<(), DesignError> {
        if !entity.common.is_visible {
            return Ok(());
        }
        // An extrusion of (0, 0, −1) turns the drawing plane over: x becomes −x.
        let over = |z: f64| {
            if z < 0.0 {
                to_mm * Affine::scale_non_uniform(-1.0, 1.0)
            } else {
                to_mm
            }
        };
        match &entity.specific {
            EntityType::Line(l) => self.push(&[(l.p1.x, l.p1.y), (l.p2.x, l.p2.y)], to_mm),
            EntityType::LwPolyline(p) => {
                let vertices: Vec<(f64, f64, f64)> =
                    p.vertices.iter().map(|v| (v.x, v.y, v.bulge)).collect();
                self.bulged(&vertices, p.is_closed(), over(p.extrusion_direction.z))
            }
            EntityType::Polyline(p) => {
                let vertices: Vec<(f64, f64, f64)> = p
                    .vertices()
                    .map(|v| (v.location.x, v.location.y, v.bulge))
                    .collect();
                self.bulged(&vertices, p.is_closed(), over(p.normal.z))
            }
            EntityType::Arc(a) => {
                let (from, to) = (a.start_angle.to_radians(), a.end_angle.to_radians());
                self.arc(
                    (a.center.x, a.center.y),
                    a.radius,
                    from,
                    anticlockwise(from, to),
                    over(a.normal.z),
                )
            }
            EntityType::Circle(c) => self.arc(
                (c.center.x, c.center.y),
                c.radius,
                0.0,
                TAU,
                over(c.normal.z),
            ),
            EntityType::Ellipse(e) => {
                let (ax, ay) = (e.major_axis.x, e.major_axis.y);
                let from = e.start_parameter;
                let angle = anticlockwise(from, e.end_parameter);
                let n = 400;
                let points: Vec<(f64, f64)> = (0..=n)
                    .map(|i| {
                        let t = from + angle * f64::from(i) / f64::from(n);
                        let (s, c) = t.sin_cos();
                        let r = e.minor_axis_ratio;
                        (
                            e.center.x + ax * c - ay * r * s,
                            e.center.y + ay * c + ax * r * s,
                        )
                    })
                    .collect();
                self.push(&points, over(e.normal.z))
            }
            EntityType::Spline(s) => {
                let points = spline(s)?;
                self.push(&points, to_mm)
            }
            EntityType::Insert(i) => self.insert(i, over(i.extrusion_direction.z)),
            _ => Ok(()),
        }
    }

    fn insert(&mut self, insert: &dxf::entities::Insert, to_mm: Affine) -> Result<(), DesignError> {
        if self.references.contains(&insert.name) || self.references.len() >= DEEPEST {
            return Err(DesignError::SelfReference(insert.name.clone()));
        }
        let drawing = self.drawing;
        let block = drawing
            .blocks()
            .find(|b| b.name == insert.name)
            .ok_or_else(|| DesignError::MissingReference(insert.name.clone()))?;
        self.references.push(insert.name.clone());
        let sides = |n: i16| i32::from(n.max(1));
        let (columns, rows) = (sides(insert.column_count), sides(insert.row_count));
        // Copies count as well: of nothing, nested in each other, there would be no end.
        self.points += columns as usize * rows as usize;
        if self.points > MOST_POINTS {
            return Err(DesignError::TooManyPoints);
        }
        for row in 0..rows {
            for column in 0..columns {
                let inner = to_mm
                    * Affine::translate((insert.location.x, insert.location.y))
                    * Affine::rotate(insert.rotation.to_radians())
                    * Affine::translate((
                        f64::from(column) * insert.column_spacing,
                        f64::from(row) * insert.row_spacing,
                    ))
                    * Affine::scale_non_uniform(insert.x_scale_factor, insert.y_scale_factor)
                    * Affine::translate((-block.base_point.x, -block.base_point.y));
                for entity in &block.entities {
                    self.entity(entity, inner)?;
                }
            }
        }
        self.references.pop();
        Ok(())
    }

    /// A polyline whose edges may bulge: bulge = tan(quarter of the included angle), positive
    /// anticlockwise.
    fn bulged(
        &mut self,
        vertices: &[(f64, f64, f64)],
        closed: bool,
        to_mm: Affine,
    ) -> Result<(), DesignError> {
        let mut points: Vec<(f64, f64)> = Vec::new();
        let ends = vertices.len().saturating_sub(usize::from(!closed));
        for (i, &(x, y, bulge)) in vertices.iter().enumerate() {
            points.push((x, y));
            if bulge == 0.0 || i >= ends {
                continue;
            }
            let (nx, ny, _) = vertices[(i + 1) % vertices.len()];
            let (dx, dy) = (nx - x, ny - y);
            let chord = dx.hypot(dy);
            if chord <= 0.0 {
                continue;
            }
            let angle = 4.0 * bulge.atan();
            // Centre: left of the chord's middle by half a chord over the tangent of half the angle.
            let off = chord / 2.0 / (angle / 2.0).tan();
            let (cx, cy) = (
                (x + nx) / 2.0 - dy / chord * off,
                (y + ny) / 2.0 + dx / chord * off,
            );
            let radius = (x - cx).hypot(y - cy);
            let from = (y - cy).atan2(x - cx);
            let n = steps(radius, angle, &to_mm);
            points.extend((1..n).map(|k| {
                let a = from + angle * k as f64 / n as f64;
                (cx + radius * a.cos(), cy + radius * a.sin())
            }));
        }
        if closed && vertices.len() > 1 {
            points.push((vertices[0].0, vertices[0].1));
        }
        self.push(&points, to_mm)
    }

    fn arc(
        &mut self,
        (cx, cy): (f64, f64),
        radius: f64,
        from: f64,
        angle: f64,
        to_mm: Affine,
    ) -> Result<(), DesignError> {
        let n = steps(radius, angle, &to_mm);
        let points: Vec<(f64, f64)> = (0..=n)
            .map(|k| {
                let a = from + angle * k as f64 / n as f64;
                (cx + radius * a.cos(), cy + radius * a.sin())
            })
            .collect();
        self.push(&points, to_mm)
    }

    fn push(&mut self, points: &[(f64, f64)], to_mm: Affine) -> Result<(), DesignError> {
        self.points += points.len();
        if self.points > MOST_POINTS {
            return Err(DesignError::TooManyPoints);
        }
        let points = points.iter().map(|p| {
            let q = to_mm * kurbo::Point::new(p.0, p.1);
            let is_near = q.x.abs().max(q.y.abs()) <= FARTHEST_MM;
            is_near.then_some(Point2::new(q.x, q.y))
        });
        let piece: Option<Vec<Point2>> = points.collect();
        self.pieces.push(piece.ok_or(DesignError::NotFinite)?);
        Ok(())
    }
}

/// The angle from one direction to another, always anticlockwise, rad; a full turn where they are the same.
fn anticlockwise(from: f64, to: f64) -> f64 {
    let angle = (to - from).rem_euclid(TAU);
    if angle > 0.0 { angle } else { TAU }
}

/// Chords of an arc that stay within the tolerance: sagitta r(1 − cos(a/2n)).
fn steps(radius: f64, angle: f64, to_mm: &Affine) -> usize {
    let scale = to_mm.determinant().abs().sqrt();
    let r_mm = (radius * scale).abs().max(1e-9);
    let largest = 2.0 * (1.0 - (CHORD_MM / r_mm).min(1.0)).acos();
    ((angle.abs() / largest.max(1e-3)).ceil() as usize).clamp(2, 20_000)
}

/// Points of a NURBS by de Boor's algorithm (C. de Boor, A Practical Guide to Splines, 1978), weights
/// as a third coordinate.
fn spline(s: &dxf::entities::Spline) -> Result<Vec<(f64, f64)>, DesignError> {
    let degree = usize::try_from(s.degree_of_curve).unwrap_or(0);
    let (knots, n) = (&s.knot_values, s.control_points.len());
    if n == 0 {
        // Only fit points: chords between them.
        return Ok(s.fit_points.iter().map(|p| (p.x, p.y)).collect());
    }
    if degree == 0 || degree > HIGHEST_DEGREE || n <= degree || knots.len() != n + degree + 1 {
        return Err(DesignError::Broken(
            "a spline's knots do not fit its points".to_owned(),
        ));
    }
    let weight = |i: usize| {
        s.weight_values
            .get(i)
            .copied()
            .filter(|w| *w > 0.0)
            .unwrap_or(1.0)
    };
    // `span` is the last knot not beyond `t`.
    let at = |t: f64, span: usize| -> (f64, f64) {
        let mut d: Vec<[f64; 3]> = (0..=degree)
            .map(|j| {
                let i = j + span - degree;
                let (p, w) = (&s.control_points[i], weight(i));
                [p.x * w, p.y * w, w]
            })
            .collect();
        for r in 1..=degree {
            for j in (r..=degree).rev() {
                let i = j + span - degree;
                let width = knots[i + degree + 1 - r] - knots[i];
                let a = if width > 0.0 {
                    (t - knots[i]) / width
                } else {
                    0.0
                };
                let before = d[j - 1];
                for (x, x0) in d[j].iter_mut().zip(before) {
                    *x = (1.0 - a) * x0 + a * *x;
                }
            }
        }
        let [x, y, w] = d[degree];
        (x / w, y / w)
    };
    // Each span of knots in fifty chords: more than any design's curves need.
    let mut points = Vec::new();
    for i in degree..n {
        let (from, to) = (knots[i], knots[i + 1]);
        if to > from {
            points.extend((0..50).map(|k| at(from + (to - from) * f64::from(k) / 50.0, i)));
        }
        if points.len() > MOST_POINTS {
            return Err(DesignError::TooManyPoints);
        }
    }
    points.push(at(knots[n], n - 1));
    Ok(points)
}
