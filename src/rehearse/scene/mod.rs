//! What a practice photo shows: every chosen number, as plain data that can be kept as TOML or JSON.
//!
//! Lengths mm, angles degrees, colours sRGB 0…1. Where no source is named, ranges are common practice
//! at the frame or with phones, no source.

mod photo;
mod quilt;

pub use photo::{
    Around, BarShadow, CameraHeld, CardOnQuilt, Light, Object, Picture, Rail, SecondLamp,
};
pub use quilt::{
    Band, FABRIC_CLASSES, Fabric, FabricClass, Hand, Puff, Quilt, Relaxed, Row, Thread, WrongTurn,
};

use crate::design::Design;
use crate::plan::{Plan, Tolerance};
use crate::units::LengthUnit;
use serde::{Deserialize, Serialize};

/// An sRGB colour, 0…1 each.
pub type Colour = [f32; 3];

/// One practice photo.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Scene {
    /// Seeds everything that belongs to the photo alone: sensor noise, blotches of light.
    pub seed: u64,
    /// The quilt.
    pub quilt: Quilt,
    /// The cloth between the rollers.
    pub band: Band,
    /// The quilt off the frame; `band` gives no more than its middle then.
    pub relaxed: Option<Relaxed>,
    /// Rows stitched so far, top to bottom, numbered as in the plan. Only those on the band are seen.
    pub rows: Vec<Row>,
    /// The hand that guided the machine.
    pub hand: Hand,
    /// The thread.
    pub thread: Thread,
    /// How the stitching pulls the quilt in.
    pub puff: Puff,
    /// The quilt top.
    pub fabric: Fabric,
    /// The light.
    pub light: Light,
    /// The cards laid on the quilt.
    pub cards: Vec<CardOnQuilt>,
    /// Things that hide a part of the view.
    pub objects: Vec<Object>,
    /// What is seen around the band.
    pub around: Around,
    /// The camera and where it is held.
    pub camera: CameraHeld,
    /// What camera and file do to the picture.
    pub picture: Picture,
}

impl Default for Scene {
    fn default() -> Self {
        let quilt = Quilt::default();
        let rows = (4..=7)
            .map(|row| Row {
                row,
                offset_mm: 75.0 + f64::from(row - 1) * quilt.spacing_mm - 50.0,
                ..Row::default()
            })
            .collect();
        Scene {
            seed: 1,
            quilt,
            band: Band::default(),
            relaxed: None,
            rows,
            hand: Hand::default(),
            thread: Thread::default(),
            puff: Puff::default(),
            fabric: Fabric::default(),
            light: Light::default(),
            cards: vec![CardOnQuilt::default()],
            objects: Vec::new(),
            around: Around::default(),
            camera: CameraHeld::default(),
            picture: Picture::default(),
        }
    }
}

impl Scene {
    /// A plan that knows what a quilter would know of the scene; without a design neither that nor its repeat.
    pub fn plan(&self, design: Option<&Design>) -> Plan {
        Plan {
            unit: LengthUnit::Millimetre,
            width_mm: self.quilt.width_mm,
            length_mm: self.quilt.length_mm,
            design_file: design.map_or_else(String::new, |_| "design.svg".to_owned()),
            repeat_mm: design.map_or(0.0, |d| d.repeat_mm),
            spacing_mm: self.quilt.spacing_mm,
            stagger: self.quilt.stagger,
            rows: 100,
            first_row_mm: 90.0,
            card_bar_mm: self.cards.first().map_or(150.0, |c| c.bar_mm),
            tolerance: Tolerance::default(),
            roll: Default::default(),
            earlier: Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::range::SceneRange;
    use super::*;

    #[test]
    fn random_scenes_survive_toml_and_json() {
        for seed in 0..40 {
            let scene = Scene::random(seed, &SceneRange::full_range());
            let toml = toml::to_string(&scene).unwrap();
            assert_eq!(toml::from_str::<Scene>(&toml).unwrap(), scene);
            let json = serde_json::to_string(&scene).unwrap();
            let back: Scene = serde_json::from_str(&json).unwrap();
            let value = |s: &Scene| serde_json::to_value(s).unwrap();
            assert!(same(&value(&back), &value(&scene)), "{json}");
        }
    }

    /// The JSON reader's fast path may lose the last bit of a number.
    fn same(a: &serde_json::Value, b: &serde_json::Value) -> bool {
        use serde_json::Value::{Array, Number, Object};
        match (a, b) {
            (Number(a), Number(b)) => match (a.as_f64(), b.as_f64()) {
                (Some(a), Some(b)) => (a - b).abs() <= 1e-15 * a.abs(),
                _ => a == b,
            },
            (Array(a), Array(b)) => a.len() == b.len() && a.iter().zip(b).all(|(a, b)| same(a, b)),
            (Object(a), Object(b)) => {
                a.len() == b.len()
                    && a.iter()
                        .all(|(key, a)| b.get(key).is_some_and(|b| same(a, b)))
            }
            _ => a == b,
        }
    }

    #[test]
    fn a_scene_file_may_leave_everything_out_but_not_invent_names() {
        assert_eq!(toml::from_str::<Scene>("").unwrap(), Scene::default());
        assert!(toml::from_str::<Scene>("[camera]\ntilt = 3").is_err());
    }
}
