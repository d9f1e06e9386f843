//! Rows: found on the quilt as whole curves, then measured along them.

pub mod astray;
pub mod chance;
mod empty;
pub mod ends;
mod groove;
mod habit;
mod hand;
pub mod link;
pub mod measure;
pub mod missed;
pub mod register;
pub mod relaxed;
pub mod search;
pub mod spread;
mod straight;
mod told;
pub mod trace;
pub mod unplanned;
pub mod wobble;
