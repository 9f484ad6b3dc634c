//! Set-up, demo, tests and benchmarks.
fn main() {}
