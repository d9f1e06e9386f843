//! How a scene is photographed: the light, what lies on the quilt and around it, the camera and its file.

use super::Colour;
use crate::card::geometry::{CHECK_BAR_MM, CardId};
use serde::{Deserialize, Serialize};

/// The light: one window or lamp, and light from everywhere.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Light {
    /// Where the directed light comes from, from +x towards +y.
    pub from_deg: f64,
    /// Its height above the quilt's plane.
    pub elevation_deg: f64,
    /// Share of light from everywhere, 0…1.
    pub diffuse: f32,
    /// Change of brightness over the width of the view, as a fraction.
    pub gradient: f32,
    /// Direction in which it grows brighter, from +x towards +y.
    pub gradient_deg: f64,
    /// Difference between a warm and a cool side, 0…1.
    pub mixed: f32,
    /// Linear signal of a white sheet in the middle, 1 = clipped.
    pub exposure: f32,
    /// A soft shadow across the band: s of its edge, and how much light is left below it; none at 1.
    pub shadow_s_mm: f64,
    /// Light left in that shadow.
    pub shadow: f32,
    /// Shadows of bars above the quilt, and stripes of sun between them.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub bars: Vec<BarShadow>,
    /// A second lamp.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub second: Option<SecondLamp>,
}

impl Default for Light {
    fn default() -> Self {
        Light {
            from_deg: 200.0,
            elevation_deg: 35.0,
            diffuse: 0.6,
            gradient: 0.15,
            gradient_deg: 30.0,
            mixed: 0.1,
            exposure: 0.8,
            shadow_s_mm: 0.0,
            shadow: 1.0,
            bars: Vec::new(),
            second: None,
        }
    }
}

/// A band across the cloth that gets another share of the directed light: what is left there is the light
/// from everywhere, so that relief fades in it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BarShadow {
    /// s of its middle at x = 0.
    pub s_mm: f64,
    /// Its lean, mm of s per m of x.
    pub slope_mm_per_m: f64,
    /// Width of the bar's shadow.
    pub width_mm: f64,
    /// Width of its soft edges.
    pub soft_mm: f64,
    /// Directed light in it, as a share of that beside it: 0 a bar close above, over 1 a stripe of sun.
    pub directed: f32,
}

/// A second lamp: it lights the other flank of every groove.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SecondLamp {
    /// Where its light comes from, from +x towards +y.
    pub from_deg: f64,
    /// Its height above the quilt's plane.
    pub elevation_deg: f64,
    /// Its share of the directed light, 0…1.
    pub share: f32,
}

/// A card on the quilt.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CardOnQuilt {
    /// Which card.
    pub card: CardId,
    /// x of its middle.
    pub x_mm: f64,
    /// s of its middle.
    pub s_mm: f64,
    /// Turn, clockwise in the picture.
    pub angle_deg: f64,
    /// Height of its middle above the stitching.
    pub height_mm: f64,
    /// Rock about its long axis: positive lifts its lower edge.
    pub rock_x_deg: f64,
    /// Rock about its short axis: positive lifts its right edge.
    pub rock_y_deg: f64,
    /// Real length of the 150 mm check bar, along the card's x.
    pub bar_mm: f64,
    /// Print scale along y against along x.
    pub y_to_x: f64,
    /// Sagitta of a cylindrical curl over its width: positive lifts the middle.
    pub curl_mm: f64,
    /// Reflectance of the ink.
    pub ink: f32,
    /// Reflectance of the paper.
    pub paper: f32,
    /// By how much the ink spreads over each edge.
    pub ink_spread_mm: f64,
}

impl Default for CardOnQuilt {
    fn default() -> Self {
        CardOnQuilt {
            card: CardId::Sheet(1),
            x_mm: 0.0,
            s_mm: 960.0,
            angle_deg: 0.0,
            height_mm: 4.0,
            rock_x_deg: 0.0,
            rock_y_deg: 0.0,
            bar_mm: CHECK_BAR_MM,
            y_to_x: 1.0,
            curl_mm: 0.0,
            ink: 0.05,
            paper: 0.88,
            ink_spread_mm: 0.03,
        }
    }
}

/// A rounded bar hiding what is below it: a finger, a ruler's end, a strap.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Object {
    /// One end: x, s.
    pub from_mm: [f64; 2],
    /// Other end: x, s.
    pub to_mm: [f64; 2],
    /// Radius.
    pub radius_mm: f64,
    /// Height of its middle above the stitching.
    pub height_mm: f64,
    /// Colour.
    pub colour: Colour,
}

/// Kinds of rails at the ends of the band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rail {
    /// Bright metal tube.
    Metal,
    /// Dark tube.
    Dark,
    /// The quilt itself, rolled.
    Rolled,
}

/// What is seen around the band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Around {
    /// The rail at the top end.
    pub top: Rail,
    /// The rail at the bottom end.
    pub bottom: Rail,
    /// Thickness of the rails.
    pub rail_mm: f64,
    /// Colour of the floor or table.
    pub floor: Colour,
    /// Batting that sticks out at the sides.
    pub batting_mm: f64,
}

impl Default for Around {
    fn default() -> Self {
        Around {
            top: Rail::Rolled,
            bottom: Rail::Metal,
            rail_mm: 60.0,
            floor: [0.35, 0.30, 0.26],
            batting_mm: 40.0,
        }
    }
}

/// The camera and where it is held.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CameraHeld {
    /// Size of the picture, megapixels; 4:3, landscape.
    pub megapixels: f64,
    /// Focal length of a 35 mm film camera with the same diagonal angle of view.
    pub focal_35mm: f64,
    /// Scale where the camera points, across the line of sight.
    pub mm_per_px: f64,
    /// Where the camera points: x.
    pub target_x_mm: f64,
    /// Where the camera points: s.
    pub target_s_mm: f64,
    /// Tilt away from looking straight down.
    pub tilt_deg: f64,
    /// On which side the camera stands: 0 at the front of the frame, 90 to the right.
    pub from_deg: f64,
    /// Turn about the line of sight.
    pub roll_deg: f64,
    /// Principal point off the middle, fraction of the width and of the height.
    pub off_centre: [f64; 2],
    /// Radial distortion, as in OpenCV's model.
    pub k1: f64,
    /// Radial distortion of the fourth order.
    pub k2: f64,
}

impl Default for CameraHeld {
    fn default() -> Self {
        CameraHeld {
            megapixels: 3.0,
            focal_35mm: 26.0,
            mm_per_px: 0.45,
            target_x_mm: 0.0,
            target_s_mm: 900.0,
            tilt_deg: 15.0,
            from_deg: 0.0,
            roll_deg: 0.0,
            off_centre: [0.0, 0.0],
            k1: 0.0,
            k2: 0.0,
        }
    }
}

impl CameraHeld {
    /// Width and height of the picture, px: 4:3, multiples of 8.
    pub fn size_px(&self) -> (u32, u32) {
        let height = (self.megapixels * 1e6 * 3.0 / 4.0).sqrt();
        let to_8 = |v: f64| ((v / 8.0).round() as u32 * 8).max(8);
        (to_8(height * 4.0 / 3.0), to_8(height))
    }
}

/// What camera and file do to the picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Picture {
    /// Standard deviation of the Gaussian blur of lens and focus, px.
    pub blur_px: f64,
    /// Length of the motion blur, px.
    pub motion_px: f64,
    /// Its direction, from +x towards +y.
    pub motion_deg: f64,
    /// Light lost in the corners, fraction.
    pub vignetting: f32,
    /// Shot noise: variance of a linear signal of 1.
    pub shot_noise: f32,
    /// Read noise: standard deviation of the linear signal.
    pub read_noise: f32,
    /// Strength of the camera's sharpening, 0…1.
    pub sharpen: f32,
    /// JPEG quality, 1…100.
    pub jpeg_quality: u8,
}

impl Default for Picture {
    fn default() -> Self {
        Picture {
            blur_px: 0.8,
            motion_px: 0.0,
            motion_deg: 0.0,
            vignetting: 0.15,
            shot_noise: 1.5e-4,
            read_noise: 0.002,
            sharpen: 0.0,
            jpeg_quality: 90,
        }
    }
}
