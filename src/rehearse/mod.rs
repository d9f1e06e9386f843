//! Practice photos: photo-like pictures of an invented quilt with chosen errors, and the truth beside
//! them, so that a quilter can learn to read the verdict and tests have known answers.
//!
//! Everything here is drawn from a [`Scene`]; the camera, the surface and the card's pose have code of
//! their own, apart from the measuring code, so that the one can check the other.
//!
//! Fabric frame: x across from the quilt's centre line, s (written y elsewhere) down the quilt along
//! the cloth, mm. Truth is stated there.

pub mod advances;
mod calibration;
mod camera;
mod cards;
mod class;
mod edges;
mod fabric;
mod file;
mod finished;
mod paper;
mod quilt;
mod random;
mod range;
mod render;
mod scene;
mod seeded;
mod several;
mod stitching;
mod surface;
mod trial;
mod truth;

pub use calibration::calibration_scene;
pub use camera::{Camera, Pose};
pub use class::PhotoClass;
pub use edges::{EdgeShape, QuiltEdges, SIDES, Side, edge_line};
pub use fabric::ground;
pub use file::{RehearseError, exif, jpeg, write};
pub use finished::{FinishedRange, finished_quilt, whole_truth};
pub use paper::{PracticePaper, PrintedLine, distance_rms_mm, practice_paper};
pub use quilt::{Advance, PracticeQuilt, rehearse_quilt};
pub use range::{CardChoice, Range, SceneRange};
pub use render::{Rehearsed, render, render_paper};
pub use scene::{
    Around, Band, BarShadow, CameraHeld, CardOnQuilt, Colour, FABRIC_CLASSES, Fabric, FabricClass,
    Hand, Light, Object, Picture, Puff, Quilt, Rail, Relaxed, Row, Scene, SecondLamp, Thread,
    WrongTurn,
};
pub use seeded::{Seeded, derive};
pub use surface::Wave;
pub use trial::trial_design;
pub use truth::{BaselineTruth, CardTruth, GapTruth, Place, RowTruth, SpacingTruth, Truth};
