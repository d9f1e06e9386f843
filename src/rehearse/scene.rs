//! What a practice photo shows: every chosen number, as plain data that can be kept as TOML or JSON.
//!
//! Lengths mm, angles degrees, colours sRGB 0…1. Where no source is named, ranges are common practice
//! at the frame or with phones, no source.

use super::edges::QuiltEdges;
use super::seeded::{Seeded, derive};
use super::surface::Wave;
use crate::card::geometry::{CHECK_BAR_MM, CardId};
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

/// The quilt, its design's layout, and what the cloth did to it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Quilt {
    /// Seeds what belongs to the quilt: wobble of each row, fabric, stitches.
    pub seed: u64,
    /// Width across the frame; x = 0 is its centre line.
    pub width_mm: f64,
    /// Length; its top edge is at s = 0.
    pub length_mm: f64,
    /// x at which a repeat of row 1 starts.
    pub design_start_mm: f64,
    /// Planned move of each row's design along x against the row before, fraction of the repeat.
    pub stagger: f64,
    /// Planned spacing.
    pub spacing_mm: f64,
    /// The design as stitched is longer along x by this factor less 1, about x = 0.
    pub stretch_x: f64,
    /// The design as stitched is higher along y by this factor less 1.
    pub stretch_y: f64,
}

impl Default for Quilt {
    fn default() -> Self {
        Quilt {
            seed: 1,
            width_mm: 2100.0,
            length_mm: 2500.0,
            design_start_mm: 0.0,
            stagger: 0.5,
            spacing_mm: 150.0,
            stretch_x: 0.0,
            stretch_y: 0.0,
        }
    }
}

/// The cloth between the rollers. s is measured down the quilt along the cloth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Band {
    /// s of its middle.
    pub middle_s_mm: f64,
    /// Free depth from roller to roller.
    pub depth_mm: f64,
    /// Sag in the middle of the free depth.
    pub sag_mm: f64,
    /// Sag in the middle of the quilt's width.
    pub sag_across_mm: f64,
    /// Half height of smooth ripples.
    pub ripple_mm: f64,
    /// Their wavelength.
    pub ripple_wavelength_mm: f64,
}

impl Default for Band {
    fn default() -> Self {
        Band {
            middle_s_mm: 900.0,
            depth_mm: 520.0,
            sag_mm: 5.0,
            sag_across_mm: 0.0,
            ripple_mm: 0.0,
            ripple_wavelength_mm: 120.0,
        }
    }
}

/// A finished quilt off the frame, all of it in view.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Relaxed {
    /// Its hills.
    pub waves: Vec<Wave>,
    /// Width of the binding sewn round its edge.
    pub binding_mm: f64,
    /// Colour of the binding.
    pub binding: Colour,
    /// It hangs on a plain wall instead of lying on boards.
    pub on_wall: bool,
    /// Its edges.
    #[serde(default)]
    pub edges: QuiltEdges,
}

/// A stitched row: its baseline is `offset + slope·x + bow·(1 − (2x/width)²)` in the fabric frame.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    /// Row number, 1 first.
    pub row: u32,
    /// s of the chord of the baseline at x = 0.
    pub offset_mm: f64,
    /// Slope, mm per m of x.
    pub slope_mm_per_m: f64,
    /// Sagitta over the quilt's width.
    pub bow_mm: f64,
    /// Shift of the design along x against the plan (its stagger included).
    pub shift_mm: f64,
    /// Parts along x that were not stitched: from, to.
    #[serde(default)]
    pub missed: Vec<[f64; 2]>,
    /// Parts stitched off the design.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub wrong_turns: Vec<WrongTurn>,
}

/// A stretch on which the hand lost the design: the line swings off to one side and comes back.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WrongTurn {
    /// x at which the line leaves the design.
    pub from_mm: f64,
    /// x at which it is back.
    pub to_mm: f64,
    /// How far off it goes along the line's normal; the sign says to which side.
    pub aside_mm: f64,
}

/// The hand: how far the needle strays from the design.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Hand {
    /// RMS of the wobble, in each of x and y.
    pub wobble_rms_mm: f64,
    /// Distance along the line at which its autocorrelation falls to 1/e.
    pub wobble_correlation_mm: f64,
    /// RMS of a slower wander, in each of x and y.
    pub wander_rms_mm: f64,
    /// Its correlation length.
    pub wander_correlation_mm: f64,
    /// Stitch length.
    pub stitch_mm: f64,
    /// Its scatter, as a fraction.
    pub stitch_scatter: f64,
}

impl Default for Hand {
    fn default() -> Self {
        Hand {
            wobble_rms_mm: 0.5,
            wobble_correlation_mm: 12.0,
            wander_rms_mm: 0.0,
            wander_correlation_mm: 250.0,
            stitch_mm: 2.4,
            stitch_scatter: 0.08,
        }
    }
}

/// The thread.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Thread {
    /// Its colour.
    pub colour: Colour,
    /// Second colour of a variegated thread.
    pub second: Option<Colour>,
    /// Length of one round of a variegated thread's colours.
    pub round_mm: f64,
    /// Width.
    pub width_mm: f64,
    /// Gloss, 0 cotton … 1 trilobal polyester.
    pub gloss: f32,
    /// How dark holes and the thread's own shadow are, 0 closed up … 1 as cut by a thick needle.
    pub holes: f32,
    /// Loose tails and lint, per square decimetre.
    pub tails_per_dm2: f64,
}

impl Default for Thread {
    fn default() -> Self {
        Thread {
            colour: [0.92, 0.90, 0.85],
            second: None,
            round_mm: 300.0,
            width_mm: 0.45,
            gloss: 0.3,
            holes: 1.0,
            tails_per_dm2: 0.0,
        }
    }
}

/// How the stitching pulls the quilt in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Puff {
    /// Width of the groove along the stitching.
    pub groove_mm: f64,
    /// Its depth.
    pub depth_mm: f64,
    /// Share of small puckers across the line, 0…1.
    pub puckers: f64,
}

impl Default for Puff {
    fn default() -> Self {
        Puff {
            groove_mm: 5.0,
            depth_mm: 1.2,
            puckers: 0.3,
        }
    }
}

/// Kinds of quilt tops.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FabricClass {
    /// One colour, woven.
    Solid,
    /// Soft low-contrast blotches.
    Tonal,
    /// Motifs of 5–15 mm.
    SmallPrint,
    /// Scrolls, outlines and flowers of the design's own size.
    LargePrint,
    /// Stripes.
    Stripes,
    /// Checks.
    Checks,
    /// Pieces of different fabrics with seams.
    Patchwork,
    /// Dyed cloth, cloudy, with crackle.
    Batik,
}

/// All of them.
pub const FABRIC_CLASSES: [FabricClass; 8] = [
    FabricClass::Solid,
    FabricClass::Tonal,
    FabricClass::SmallPrint,
    FabricClass::LargePrint,
    FabricClass::Stripes,
    FabricClass::Checks,
    FabricClass::Patchwork,
    FabricClass::Batik,
];

/// The quilt top.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Fabric {
    /// Its kind.
    pub class: FabricClass,
    /// Ground colour.
    pub colour: Colour,
    /// Colour of the print.
    pub second: Colour,
    /// Strength of the print, 0…1.
    pub contrast: f32,
    /// Size of its motifs, or of a patchwork's pieces.
    pub motif_mm: f64,
    /// Turn of the print or the pieces.
    pub angle_deg: f64,
    /// Strength of the weave's texture, 0…1.
    pub weave: f32,
}

impl Default for Fabric {
    fn default() -> Self {
        Fabric {
            class: FabricClass::Solid,
            colour: [0.30, 0.40, 0.55],
            second: [0.75, 0.70, 0.60],
            contrast: 0.5,
            motif_mm: 100.0,
            angle_deg: 0.0,
            weave: 0.5,
        }
    }
}

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

/// From … to.
pub type Range = [f64; 2];

/// Which cards a random scene carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CardChoice {
    /// One sheet.
    OneSheet,
    /// Two strips, one to the left and one to the right.
    TwoStrips,
    /// One or the other.
    Either,
}

/// Over what random scenes range.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SceneRange {
    /// Size of the picture.
    pub megapixels: f64,
    /// Scale where the camera points.
    pub mm_per_px: Range,
    /// 35 mm equivalent focal length.
    pub focal_35mm: Range,
    /// Tilt, any direction but mostly from the front.
    pub tilt_deg: Range,
    /// Roll, to both sides.
    pub roll_deg: f64,
    /// Principal point off the middle, fraction.
    pub off_centre: f64,
    /// Radial distortion.
    pub k1: Range,
    /// Cards.
    pub cards: CardChoice,
    /// Height of a card above the stitching.
    pub card_height_mm: Range,
    /// Rock of a card about both axes, to both sides.
    pub card_rock_deg: f64,
    /// Real length of the check bar.
    pub card_bar_mm: Range,
    /// Greatest curl of a card.
    pub card_curl_mm: f64,
    /// Share of scenes in which the card lies at any angle to which its arrow still points to the rows
    /// already stitched, instead of within 12 degrees.
    pub any_angle: f64,
    /// Sag over the free depth.
    pub sag_mm: Range,
    /// Sag over the width of the quilt.
    pub sag_across_mm: Range,
    /// Free depth.
    pub depth_mm: Range,
    /// Largest ripple.
    pub ripple_mm: f64,
    /// Planned spacing.
    pub spacing_mm: Range,
    /// Stretch of the design.
    pub stretch: Range,
    /// Scatter of a gap against the plan.
    pub gap_scatter_mm: f64,
    /// Scatter of the slope from row to row, mm/m.
    pub slope_scatter_mm_per_m: f64,
    /// Scatter of the bow from row to row.
    pub bow_scatter_mm: f64,
    /// Scatter of the shift.
    pub shift_scatter_mm: f64,
    /// RMS of the wobble.
    pub wobble_rms_mm: Range,
    /// Correlation length of the wobble.
    pub wobble_correlation_mm: Range,
    /// RMS of the slow wander.
    pub wander_rms_mm: Range,
    /// Share of scenes with missed parts.
    pub missed: f64,
    /// Fabrics to choose from.
    pub fabrics: Vec<FabricClass>,
    /// Contrast of the thread against the ground, 0 same colour … 1 black on white.
    pub thread_contrast: Range,
    /// Depth of the groove.
    pub groove_depth_mm: Range,
    /// Blur.
    pub blur_px: Range,
    /// Largest motion blur.
    pub motion_px: f64,
    /// Shot noise.
    pub shot_noise: Range,
    /// JPEG quality.
    pub jpeg_quality: Range,
    /// Share of scenes with something in the way.
    pub objects: f64,
}

impl SceneRange {
    /// The range in which measuring has to work.
    pub fn full_range() -> Self {
        SceneRange {
            megapixels: 12.0,
            mm_per_px: [0.3, 0.6],
            focal_35mm: [24.0, 28.0],
            tilt_deg: [0.0, 40.0],
            roll_deg: 10.0,
            off_centre: 0.01,
            k1: [-0.08, 0.05],
            cards: CardChoice::Either,
            card_height_mm: [2.0, 7.0],
            card_rock_deg: 1.5,
            card_bar_mm: [148.0, 151.0],
            card_curl_mm: 0.0,
            any_angle: 0.15,
            sag_mm: [0.0, 12.0],
            sag_across_mm: [0.0, 2.0],
            depth_mm: [400.0, 600.0],
            ripple_mm: 1.5,
            spacing_mm: [140.0, 160.0],
            stretch: [-0.003, 0.003],
            gap_scatter_mm: 2.0,
            slope_scatter_mm_per_m: 1.5,
            bow_scatter_mm: 1.5,
            shift_scatter_mm: 4.0,
            wobble_rms_mm: [0.2, 1.0],
            wobble_correlation_mm: [6.0, 20.0],
            wander_rms_mm: [0.0, 0.3],
            missed: 0.25,
            fabrics: FABRIC_CLASSES.to_vec(),
            thread_contrast: [0.05, 0.8],
            groove_depth_mm: [0.5, 2.5],
            blur_px: [0.5, 2.0],
            motion_px: 2.5,
            shot_noise: [5e-5, 4e-4],
            jpeg_quality: [75.0, 95.0],
            objects: 0.1,
        }
    }

    /// Good light, plain cloth, bright thread, a flat card, a steady camera.
    pub fn easy() -> Self {
        SceneRange {
            tilt_deg: [0.0, 15.0],
            roll_deg: 3.0,
            off_centre: 0.0,
            k1: [0.0, 0.0],
            cards: CardChoice::OneSheet,
            card_rock_deg: 0.3,
            card_bar_mm: [150.0, 150.0],
            any_angle: 0.0,
            sag_mm: [0.0, 3.0],
            sag_across_mm: [0.0, 0.0],
            ripple_mm: 0.0,
            stretch: [0.0, 0.0],
            wobble_rms_mm: [0.2, 0.4],
            wander_rms_mm: [0.0, 0.0],
            missed: 0.0,
            fabrics: vec![FabricClass::Solid, FabricClass::Tonal],
            thread_contrast: [0.5, 0.8],
            blur_px: [0.6, 1.0],
            motion_px: 0.0,
            shot_noise: [5e-5, 1e-4],
            jpeg_quality: [90.0, 95.0],
            objects: 0.0,
            ..SceneRange::full_range()
        }
    }

    /// The same range in a smaller picture: the field of view shrinks, the scale stays.
    pub fn with_megapixels(self, megapixels: f64) -> Self {
        SceneRange { megapixels, ..self }
    }
}

/// What a random scene takes over from the quilt it belongs to.
#[derive(Debug, Clone)]
pub(super) struct Given {
    /// The quilt.
    pub quilt: Quilt,
    /// Its rows so far, at least one.
    pub rows: Vec<Row>,
    /// Whose cloth, thread, hand, camera and cards stay the same from photo to photo.
    pub like: Option<Box<Scene>>,
}

impl Scene {
    /// A scene drawn from `range`; the same seed gives the same scene.
    pub fn random(seed: u64, range: &SceneRange) -> Scene {
        let mut rng = Seeded::new(derive(seed, 1));
        let mut within = |r: Range| rng.between(r[0], r[1]);
        let mut quilt = Quilt {
            seed: short_seed(seed, 2),
            width_mm: within([1500.0, 2600.0]),
            length_mm: 3000.0,
            design_start_mm: within([-150.0, 150.0]),
            stagger: 0.0,
            spacing_mm: within(range.spacing_mm),
            stretch_x: within(range.stretch),
            stretch_y: within(range.stretch),
        };
        let newest = within([4.0, 12.0]) as u32;
        quilt.stagger = [0.0, 0.5, 0.5, 1.0 / 3.0][rng.below(4)];
        let newest_s = 90.0 + f64::from(newest - 1) * quilt.spacing_mm;
        let rows = random_rows(&mut rng, range, &quilt, newest, newest_s);
        let given = Given {
            quilt,
            rows,
            like: None,
        };
        Scene::of_quilt(seed, range, given)
    }

    /// A scene of a given quilt.
    pub(super) fn of_quilt(seed: u64, range: &SceneRange, given: Given) -> Scene {
        let Given { quilt, rows, like } = given;
        let like = like.as_deref();
        let newest_s = rows.last().map_or(0.0, |r| r.offset_mm);
        let mut rng = Seeded::new(derive(seed, 3));
        let mut within = |r: Range| rng.between(r[0], r[1]);
        let depth_mm = within(range.depth_mm);
        // The newest row's baseline lies this far above the bottom roller.
        let below = quilt.spacing_mm * within([0.7, 1.3]);
        let hand = Hand {
            wobble_rms_mm: within(range.wobble_rms_mm),
            wobble_correlation_mm: within(range.wobble_correlation_mm),
            wander_rms_mm: within(range.wander_rms_mm),
            wander_correlation_mm: within([150.0, 400.0]),
            stitch_mm: within([2.1, 2.6]),
            stitch_scatter: within([0.04, 0.12]),
        };
        let ripple = within([0.0, 1.0]);
        let band = Band {
            middle_s_mm: newest_s + below - depth_mm / 2.0,
            depth_mm,
            sag_mm: within(range.sag_mm),
            sag_across_mm: within(range.sag_across_mm),
            // Mostly small, seldom the largest.
            ripple_mm: range.ripple_mm * ripple * ripple,
            ripple_wavelength_mm: within([70.0, 180.0]),
        };
        let fabric = random_fabric(&mut rng, range);
        let thread = random_thread(&mut rng, range, &fabric);
        let puff = Puff {
            groove_mm: rng.between(3.0, 8.0),
            depth_mm: rng.between(range.groove_depth_mm[0], range.groove_depth_mm[1]),
            puckers: rng.between(0.0, 0.6),
        };
        let light = random_light(&mut rng, &band);
        let rails = [Rail::Metal, Rail::Dark, Rail::Rolled];
        let around = Around {
            top: rails[rng.below(3)],
            bottom: rails[rng.below(3)],
            rail_mm: rng.between(40.0, 90.0),
            floor: [rng.between(0.15, 0.6) as f32; 3],
            batting_mm: rng.between(0.0, 60.0),
        };
        let picture = random_picture(&mut rng, range);
        let camera = random_camera(&mut rng, range, &quilt, newest_s);
        let mut scene = Scene {
            seed,
            band,
            relaxed: None,
            rows,
            hand: like.map_or(hand, |l| l.hand.clone()),
            thread: like.map_or(thread, |l| l.thread.clone()),
            puff: like.map_or(puff, |l| l.puff.clone()),
            fabric: like.map_or(fabric, |l| l.fabric.clone()),
            light,
            cards: Vec::new(),
            objects: Vec::new(),
            around: like.map_or(around, |l| l.around.clone()),
            camera: like.map_or(camera.clone(), |l| CameraHeld {
                focal_35mm: l.camera.focal_35mm,
                off_centre: l.camera.off_centre,
                k1: l.camera.k1,
                k2: l.camera.k2,
                ..camera
            }),
            picture,
            quilt,
        };
        scene.lay_cards(&mut rng, range, newest_s, like);
        scene.lay_objects(&mut rng, range, newest_s);
        scene
    }

    fn lay_cards(
        &mut self,
        rng: &mut Seeded,
        range: &SceneRange,
        newest_s: f64,
        like: Option<&Scene>,
    ) {
        let sheet = match range.cards {
            CardChoice::OneSheet => true,
            CardChoice::TwoStrips => false,
            CardChoice::Either => rng.chance(0.5),
        };
        let ids = if sheet {
            vec![CardId::Sheet(1 + rng.below(20) as u16)]
        } else {
            let first = 1 + rng.below(59) as u16;
            vec![CardId::Strip(first), CardId::Strip(first + 1)]
        };
        let bar_mm = rng.between(range.card_bar_mm[0], range.card_bar_mm[1]);
        let ink = rng.between(0.03, 0.12) as f32;
        let paper = rng.between(0.78, 0.92) as f32;
        let ink_spread_mm = rng.between(0.0, 0.08);
        // One quilt, one printed set of cards.
        let known = like.map_or(&[][..], |l| &l.cards);
        let first = known.first().cloned();
        let (bar_mm, ink, paper, ink_spread_mm) = first
            .map_or((bar_mm, ink, paper, ink_spread_mm), |c| {
                (c.bar_mm, c.ink, c.paper, c.ink_spread_mm)
            });
        let (ids, sheet) = match known {
            [] => (ids, sheet),
            [one] => (vec![one.card], matches!(one.card, CardId::Sheet(_))),
            several => (several.iter().map(|c| c.card).collect(), false),
        };
        let y_to_x = 1.0 + rng.between(-0.0005, 0.0005);
        // Two cards lie in the left and the right part of the view.
        let sides: &[f64] = if sheet { &[0.0] } else { &[-1.0, 1.0] };
        let (width_px, _) = self.camera.size_px();
        let view_mm = f64::from(width_px) * self.camera.mm_per_px;
        for (id, side) in ids.into_iter().zip(sides) {
            // Most people keep the card off the stitching as far as the free band allows.
            let lowest = if rng.chance(0.65) { 0.25 } else { -1.0 };
            // Where nothing fits after many tries, the photo goes without this card: such photos are
            // taken too.
            for attempt in 0..600 {
                let lowest = if attempt < 200 { lowest } else { -1.0 };
                let angle_deg = if rng.chance(range.any_angle) {
                    rng.between(-90.0, 90.0)
                } else {
                    rng.between(-12.0, 12.0)
                };
                let x = if *side == 0.0 {
                    rng.between(-0.3, 0.3)
                } else {
                    side * rng.between(0.15, 0.38)
                };
                let card = CardOnQuilt {
                    card: id,
                    x_mm: self.camera.target_x_mm + x * view_mm,
                    s_mm: newest_s + rng.between(lowest, 1.2) * self.quilt.spacing_mm,
                    angle_deg,
                    height_mm: rng.between(range.card_height_mm[0], range.card_height_mm[1]),
                    rock_x_deg: rng.between(-range.card_rock_deg, range.card_rock_deg),
                    rock_y_deg: rng.between(-range.card_rock_deg, range.card_rock_deg),
                    bar_mm,
                    y_to_x,
                    curl_mm: rng.between(0.0, range.card_curl_mm),
                    ink,
                    paper,
                    ink_spread_mm,
                };
                if self.shows_whole(&card) {
                    self.cards.push(card);
                    break;
                }
            }
        }
    }

    fn lay_objects(&mut self, rng: &mut Seeded, range: &SceneRange, newest_s: f64) {
        if !rng.chance(range.objects) {
            return;
        }
        let (width_px, _) = self.camera.size_px();
        let half = f64::from(width_px) * self.camera.mm_per_px / 2.0;
        let x = self.camera.target_x_mm + rng.between(-0.9, 0.9) * half;
        let reach = rng.between(-0.3, 0.8) * self.quilt.spacing_mm;
        let skin = rng.between(0.0, 1.0) as f32;
        self.objects.push(Object {
            from_mm: [x, newest_s + reach],
            to_mm: [
                x + rng.between(-60.0, 60.0),
                newest_s + reach + rng.between(120.0, 300.0),
            ],
            radius_mm: rng.between(8.0, 30.0),
            height_mm: rng.between(10.0, 30.0),
            colour: [0.80 - 0.4 * skin, 0.62 - 0.36 * skin, 0.52 - 0.34 * skin],
        });
    }
}

/// A derived seed short enough for every number format (JSON in a browser holds 53 bits).
pub(super) fn short_seed(seed: u64, purpose: u64) -> u64 {
    derive(seed, purpose) >> 12
}

fn random_light(rng: &mut Seeded, band: &Band) -> Light {
    Light {
        from_deg: rng.between(0.0, 360.0),
        elevation_deg: rng.between(18.0, 65.0),
        diffuse: rng.between(0.35, 0.9) as f32,
        gradient: rng.between(0.0, 0.5) as f32,
        gradient_deg: rng.between(0.0, 360.0),
        mixed: rng.between(0.0, 0.4) as f32,
        exposure: rng.between(0.55, 0.85) as f32,
        shadow_s_mm: band.middle_s_mm + rng.between(-0.4, 0.4) * band.depth_mm,
        shadow: if rng.chance(0.25) {
            rng.between(0.5, 0.9) as f32
        } else {
            1.0
        },
        bars: Vec::new(),
        second: None,
    }
}

fn random_picture(rng: &mut Seeded, range: &SceneRange) -> Picture {
    Picture {
        blur_px: rng.between(range.blur_px[0], range.blur_px[1]),
        motion_px: if rng.chance(0.3) {
            rng.between(0.0, range.motion_px)
        } else {
            0.0
        },
        motion_deg: rng.between(0.0, 180.0),
        vignetting: rng.between(0.0, 0.35) as f32,
        shot_noise: rng.between(range.shot_noise[0], range.shot_noise[1]) as f32,
        read_noise: rng.between(0.001, 0.004) as f32,
        sharpen: if rng.chance(0.4) {
            rng.between(0.1, 0.5) as f32
        } else {
            0.0
        },
        jpeg_quality: rng.between(range.jpeg_quality[0], range.jpeg_quality[1]) as u8,
    }
}

fn random_rows(
    rng: &mut Seeded,
    range: &SceneRange,
    quilt: &Quilt,
    newest: u32,
    newest_s: f64,
) -> Vec<Row> {
    let mut rows = Vec::new();
    let (mut s, mut slope, mut bow) = (newest_s, 0.0, 0.0);
    slope += 2.0 * rng.normal();
    for row in (newest.saturating_sub(4).max(1)..=newest).rev() {
        let mut missed = Vec::new();
        if rng.chance(range.missed / 4.0) {
            let from = rng.between(-0.4, 0.4) * quilt.width_mm;
            missed.push([from, from + rng.between(15.0, 90.0)]);
        }
        rows.push(Row {
            row,
            offset_mm: s,
            slope_mm_per_m: slope,
            bow_mm: bow,
            shift_mm: range.shift_scatter_mm * rng.normal(),
            missed,
            wrong_turns: Vec::new(),
        });
        s -= quilt.spacing_mm + range.gap_scatter_mm * rng.normal();
        slope += range.slope_scatter_mm_per_m * rng.normal();
        bow += range.bow_scatter_mm * rng.normal();
    }
    rows.reverse();
    rows
}

/// Ground colours of the practice quilts: name them as you like.
const GROUNDS: [Colour; 14] = [
    [0.93, 0.91, 0.86],
    [0.86, 0.80, 0.70],
    [0.55, 0.62, 0.50],
    [0.28, 0.38, 0.52],
    [0.16, 0.20, 0.33],
    [0.58, 0.22, 0.24],
    [0.80, 0.55, 0.58],
    [0.87, 0.72, 0.38],
    [0.42, 0.30, 0.45],
    [0.50, 0.52, 0.55],
    [0.13, 0.13, 0.14],
    [0.45, 0.60, 0.66],
    [0.70, 0.45, 0.28],
    [0.30, 0.45, 0.36],
];

/// One of the ground colours, by any number.
pub fn ground(n: usize) -> Colour {
    GROUNDS[n % GROUNDS.len()]
}

fn random_fabric(rng: &mut Seeded, range: &SceneRange) -> Fabric {
    let class = range.fabrics[rng.below(range.fabrics.len())];
    let motif_mm = match class {
        FabricClass::SmallPrint => rng.between(7.0, 18.0),
        FabricClass::LargePrint => rng.between(60.0, 150.0),
        FabricClass::Stripes | FabricClass::Checks => rng.between(4.0, 40.0),
        FabricClass::Patchwork => rng.between(60.0, 200.0),
        _ => rng.between(20.0, 80.0),
    };
    Fabric {
        class,
        colour: ground(rng.below(GROUNDS.len())),
        second: ground(rng.below(GROUNDS.len())),
        contrast: rng.between(0.25, 0.9) as f32,
        motif_mm,
        angle_deg: if rng.chance(0.5) {
            0.0
        } else {
            rng.between(-45.0, 45.0)
        },
        weave: rng.between(0.2, 0.8) as f32,
    }
}

fn random_thread(rng: &mut Seeded, range: &SceneRange, fabric: &Fabric) -> Thread {
    let contrast = rng.between(range.thread_contrast[0], range.thread_contrast[1]) as f32;
    let mean = fabric.colour.iter().sum::<f32>() / 3.0;
    // Towards whichever side has room, so that the contrast asked for is there.
    let lighter = if mean < 0.35 {
        true
    } else if mean > 0.65 {
        false
    } else {
        rng.chance(0.5)
    };
    let goal = if lighter { 1.0 } else { 0.03 };
    let to_goal = (contrast / (goal - mean).abs().max(0.05)).min(1.0);
    let colour = fabric.colour.map(|c| c + (goal - c) * to_goal);
    let second = rng.chance(0.12).then(|| ground(rng.below(GROUNDS.len())));
    Thread {
        colour,
        second,
        round_mm: rng.between(150.0, 600.0),
        width_mm: rng.between(0.3, 0.6),
        gloss: rng.between(0.0, 0.8) as f32,
        holes: 1.0,
        tails_per_dm2: if rng.chance(0.4) {
            rng.between(0.1, 1.0)
        } else {
            0.0
        },
    }
}

fn random_camera(rng: &mut Seeded, range: &SceneRange, quilt: &Quilt, newest_s: f64) -> CameraHeld {
    let mm_per_px = rng.between(range.mm_per_px[0], range.mm_per_px[1]);
    let mut camera = CameraHeld {
        megapixels: range.megapixels,
        focal_35mm: rng.between(range.focal_35mm[0], range.focal_35mm[1]),
        mm_per_px,
        tilt_deg: rng.between(range.tilt_deg[0], range.tilt_deg[1]),
        // Most photos are taken from the front of the frame, some from a side or from behind.
        from_deg: if rng.chance(0.75) {
            rng.between(-35.0, 35.0)
        } else {
            rng.between(-180.0, 180.0)
        },
        roll_deg: rng.between(-range.roll_deg, range.roll_deg),
        off_centre: [
            rng.between(-range.off_centre, range.off_centre),
            rng.between(-range.off_centre, range.off_centre),
        ],
        k1: rng.between(range.k1[0], range.k1[1]),
        ..CameraHeld::default()
    };
    let (width_px, height_px) = camera.size_px();
    let view = f64::from(width_px) * mm_per_px;
    let high = f64::from(height_px) * mm_per_px;
    let room = ((quilt.width_mm - view) / 2.0).max(0.0) + 0.1 * view;
    camera.target_x_mm = rng.between(-room, room);
    // The gap above the newest row is in the upper half of the view; a small view has to sit closer.
    let up = rng.between(0.35, 0.7) * quilt.spacing_mm;
    camera.target_s_mm = newest_s - up.min(0.25 * high) + rng.between(-0.05, 0.05) * high;
    camera
}

#[cfg(test)]
mod tests {
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

    #[test]
    fn random_scenes_lay_their_cards_in_view() {
        let range = SceneRange::full_range();
        let complete = (0..60)
            .map(|seed| Scene::random(seed, &range))
            .filter(|scene| match scene.cards.as_slice() {
                [one] => matches!(one.card, CardId::Sheet(_)),
                [_, _] => true,
                _ => false,
            })
            .count();
        // One sheet or two strips in all of them, as the range asks.
        assert_eq!(complete, 60);
    }
}
