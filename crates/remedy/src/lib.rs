//! What a filter, a ferrite, a screen or a protector will do, before it is bought.
//!
//! Parts with their real behaviour ([`parts`], [`library`]), the artificial networks they are measured in ([`networks`]),
//! a mains port as a circuit ([`port`]), the trace it would then have ([`predict`]), and the search for what is enough and
//! least ([`search`]). Maths on plain structs; opens no files. Formulas and sources: `docs/fixing.md`.

pub mod bandmap;
pub mod candidates;
mod draw;
mod error;
pub mod ferrite;
pub mod fitted;
pub mod geometry;
pub mod ladder;
pub mod library;
pub mod measured;
pub mod netlist;
pub mod networks;
mod part_check;
pub mod parts;
pub mod port;
pub mod predict;
pub mod protect;
pub mod safety;
pub mod schematic;
pub mod screen;
pub mod search;
pub mod series;
mod spots;
pub mod traps;

pub use error::RemedyError;
