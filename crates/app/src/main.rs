//! The `hushfield` binary.
fn main() {}
