//! The practice quilt of the benches.

use rowsight::design::Design;
use rowsight::plan::file::PlanRequest;
use rowsight::plan::{Plan, Tolerance};
use rowsight::units::LengthUnit;

/// A quilt 2 m wide, with rows of a design 110 mm high every 150 mm.
pub fn plan(length_mm: f64, design: &Design) -> Plan {
    PlanRequest {
        unit: LengthUnit::Millimetre,
        width_mm: 2000.0,
        length_mm,
        design_file: "meander.svg".to_owned(),
        repeat_mm: design.repeat_mm,
        design_height_mm: 110.0,
        spacing_mm: 150.0,
        stagger: 0.5,
        rows: None,
        first_row_mm: None,
        card_bar_mm: 150.0,
        roll: Default::default(),
        tolerance: Tolerance::default(),
    }
    .plan()
    .expect("a plan")
}
