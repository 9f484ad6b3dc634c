//! Reading and writing sweeps, captures and network parameters in open formats

pub mod capture;
pub mod chain_file;
mod decimals;
pub mod factor;
pub mod peak_list;
pub mod sweep;
pub mod timeline_file;
pub mod touchstone;
pub mod trace_file;
pub mod trials;
