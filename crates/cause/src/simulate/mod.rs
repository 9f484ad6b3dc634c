//! Lists and products whose cause is known, made by seeded generators: what the figures of this room are measured on.

pub mod bench;
mod devices;
pub mod lists;
pub mod products;
