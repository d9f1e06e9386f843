//! Lengths and slopes with their unit in the type, and values with their standard uncertainty.
//!
//! Everything is millimetres inside. Inches appear only where a person writes or reads a length.

use serde::{Deserialize, Serialize};

/// A length in millimetres.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Mm(pub f64);

/// Exactly one inch.
pub const INCH: Mm = Mm(25.4);

/// A slope in millimetres per metre. Positive: the right-hand end lies further down the quilt.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct MmPerM(pub f64);

/// A measured value with its standard uncertainty `u` in the same unit (GUM, JCGM 100:2008, 2.3.1).
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Uncertain {
    /// The estimate.
    pub value: f64,
    /// Standard uncertainty, same unit as the value, never negative.
    pub u: f64,
}

/// The unit a plan is written in, and in which its lengths are shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub enum LengthUnit {
    /// Inches, shown as fractions to 1/32.
    #[default]
    #[serde(rename = "in")]
    Inch,
    /// Millimetres, shown with one decimal.
    #[serde(rename = "mm")]
    Millimetre,
}
