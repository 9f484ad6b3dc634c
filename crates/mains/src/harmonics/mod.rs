//! Harmonic currents: windows of exactly 10 or 12 cycles, groups by IEC 61000-4-7, the rules of IEC 61000-3-2 and
//! IEC 61000-3-12.
//!
//! An [`Analyser`] takes a recording block by block and gives a [`Measured`]; [`judge`] holds that against a class of
//! IEC 61000-3-2, [`judge_large`] against IEC 61000-3-12.

mod analyser;
mod classes;
mod judge;
mod judgement;
mod measured;
mod rules;
mod short;
mod spectrum;
mod tables;

pub use analyser::{Analyser, Settings};
pub use classes::{ClassAnswer, ClassQuestion, classify};
pub use judge::{Class, Edition, Exemption, LargeProduct, Product, judge, judge_large};
pub use judgement::{DecidingRule, HarmonicVerdict, Judgement, OptionResult, OrderResult, RatioResult};
pub use measured::{Covariance, Frequency, Measured, Series, WaveShape, Waveform, smooth};
pub use short::{ShortEstimate, least_squares};
pub use tables::{Data, LimitTable, LimitUnit, RatioLimits, RatioTable, Rule, SourceRule};

/// The highest order that is measured and limited.
pub const HIGHEST_ORDER: usize = 40;
