//! The whole way of a measurement: raw file, levels, chain, verdict, evidence.
