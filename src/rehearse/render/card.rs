//! A card in the picture.

use super::painter::Painter;
use crate::geometry::Point2;
use crate::rehearse::cards::CardInWorld;
use crate::rehearse::scene::Colour;
use crate::rehearse::seeded::value_noise;
use nalgebra::Vector3;

/// What a pixel sees of a card's print.
struct Printed {
    /// The pixel's middle on the card, mm.
    on_card: Point2,
    /// The paper's share of the pixel.
    paper: f32,
    /// The ink's share of that.
    ink: f32,
}

impl Painter<'_> {
    /// A card's share of a pixel and its colour; none where the card is not seen.
    pub(super) fn card(&self, n: usize, px: Point2, ray: &Vector3<f64>) -> Option<(f32, Colour)> {
        let card = &self.stage.cards[n];
        let laid = &self.scene.cards[n];
        let printed = self.printed(card, px, ray)?;
        let p = printed.on_card;
        let (u, v) = (p.x as f32, p.y as f32);
        let shade = 1.0
            + 0.03 * (u / 148.0) * (if n.is_multiple_of(2) { 1.0 } else { -1.0 })
            + 0.012 * value_noise(3, u / 60.0, v / 60.0)
            + 0.006 * value_noise(4, u / 0.8, v / 0.8);
        // A rocked card meets the light at another angle.
        let normal = card.axes * Vector3::z();
        let s = self.stage.surface.fabric(card.middle.x, card.middle.y).y + p.y;
        let (sine, cosine) = laid.angle_deg.to_radians().sin_cos();
        let on_cloth = Point2::new(
            laid.x_mm + p.x * cosine - p.y * sine,
            laid.s_mm + p.x * sine + p.y * cosine,
        );
        let lit = self.lamp.on(
            (normal.x / normal.z) as f32,
            (normal.y / normal.z) as f32,
            self.directed(on_cloth),
        );
        let level = lit * shade * self.shadow_band(s as f32);
        let reflectance = laid.paper + (laid.ink - laid.paper) * printed.ink;
        let colour = [
            reflectance * level,
            reflectance * level,
            reflectance * level * 0.985,
        ];
        Some((printed.paper, colour))
    }

    /// How much paper and ink a pixel sees: by 64 samples near an edge, else by its middle.
    fn printed(&self, card: &CardInWorld, px: Point2, ray: &Vector3<f64>) -> Option<Printed> {
        let camera = &self.stage.camera;
        let meet = |px: Point2| card.meet(&camera.centre, &camera.ray(px)).map(|m| m.0);
        let (p, _) = card.meet(&camera.centre, ray)?;
        let (a, b) = card.print.half_paper;
        let right = meet(Point2::new(px.x + 0.5, px.y))?;
        let down = meet(Point2::new(px.x, px.y + 0.5))?;
        // Card millimetres per pixel along the picture's axes.
        let (dx, dy) = ((right - p) * 2.0, (down - p) * 2.0);
        let reach = 0.5 * (dx.x.abs() + dy.x.abs()).max(dx.y.abs() + dy.y.abs());
        if p.x.abs() > a + reach || p.y.abs() > b + reach {
            return None;
        }
        let inside = |q: Point2| q.x.abs() <= a && q.y.abs() <= b;
        let (mut on_paper, mut black) = (0u32, 0u32);
        let mut samples = 1;
        if card.print.has_edge_near(p.x, p.y, reach) {
            samples = 64;
            for k in 0..64u32 {
                // Rank-1 lattice: 64 different abscissae and ordinates, centred on the pixel.
                let x = (f64::from(k) + 0.5) / 64.0 - 0.5;
                let y = (f64::from(k * 27 % 64) + 0.5) / 64.0 - 0.5;
                let q = p + dx * x + dy * y;
                if inside(q) {
                    on_paper += 1;
                    black += u32::from(card.print.is_black(q.x, q.y));
                }
            }
        } else if inside(p) {
            on_paper = 1;
            black = u32::from(card.print.is_black(p.x, p.y));
        }
        (on_paper > 0).then(|| Printed {
            on_card: p,
            paper: on_paper as f32 / samples as f32,
            ink: black as f32 / on_paper as f32,
        })
    }
}
