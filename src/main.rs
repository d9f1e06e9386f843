//! The rowsight command.
fn main() {}
