//! Light on the slopes of cloth, thread and cards.

use crate::rehearse::scene::Light;

/// Light on a surface with slopes (dh/dx, dh/dy), 1 on a level one.
pub(super) struct Lamp {
    /// Unit vector towards it, z up.
    pub(super) toward: [f32; 3],
    /// The same, seen from above, of unit length.
    pub(super) level: [f32; 2],
    /// Share of light from everywhere, 0…1.
    pub(super) diffuse: f32,
    /// Towards the second lamp, and its share of the directed light.
    second: Option<([f32; 3], f32)>,
}

impl Lamp {
    pub(super) fn new(light: &Light) -> Lamp {
        let second = light.second;
        let toward = direction(light.from_deg, light.elevation_deg);
        let from = light.from_deg.to_radians();
        Lamp {
            toward,
            level: [from.cos() as f32, from.sin() as f32],
            diffuse: light.diffuse,
            second: second.map(|lamp| (direction(lamp.from_deg, lamp.elevation_deg), lamp.share)),
        }
    }

    /// Light where `directed` of the directed light arrives.
    pub(super) fn on(&self, dx: f32, dy: f32, directed: f32) -> f32 {
        let up = 1.0 / (1.0 + dx * dx + dy * dy).sqrt();
        let from = |toward: [f32; 3]| {
            ((toward[2] - toward[0] * dx - toward[1] * dy) * up / toward[2]).max(0.0)
        };
        let first = from(self.toward);
        let direct = self.second.map_or(first, |(toward, share)| {
            first + share * (from(toward) - first)
        });
        self.diffuse * (0.5 + 0.5 * up) + (1.0 - self.diffuse) * directed * direct
    }
}

/// Unit vector towards a lamp, z up.
fn direction(from_deg: f64, elevation_deg: f64) -> [f32; 3] {
    let (from, up) = (
        from_deg.to_radians(),
        elevation_deg.clamp(5.0, 90.0).to_radians(),
    );
    [
        (from.cos() * up.cos()) as f32,
        (from.sin() * up.cos()) as f32,
        up.sin() as f32,
    ]
}
