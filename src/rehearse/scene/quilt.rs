//! The quilt in a scene: its layout and shape, its rows, the hand and the thread, its cloth.

use super::Colour;
use crate::rehearse::edges::QuiltEdges;
use crate::rehearse::surface::Wave;
use serde::{Deserialize, Serialize};

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
