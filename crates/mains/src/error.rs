/// A recording could not be measured, or what was asked of it does not fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MainsError {
    /// The capture could not be read on.
    #[error(transparent)]
    Source(#[from] signal::SourceError),
    /// A setting is out of its range.
    #[error("{field}: {what}; expected {expected}")]
    Setting {
        /// Which setting.
        field: &'static str,
        /// What it was.
        what: String,
        /// What would do.
        expected: String,
    },
    /// The channel that a measurement needs is not in the recording.
    #[error("the measurement needs the {needed}; give its column")]
    MissingChannel {
        /// `mains voltage` or `mains current`.
        needed: &'static str,
    },
    /// The sampling rate cannot carry what is to be measured.
    #[error("sampled at {rate_hz} Hz: {what} needs at least {needed_hz} Hz")]
    RateTooLow {
        /// Rate of the recording, Hz.
        rate_hz: f64,
        /// Least rate, Hz.
        needed_hz: f64,
        /// What was to be measured.
        what: &'static str,
    },
    /// The recording ends before the least that can be called a measurement.
    #[error("the record lasts {found_s:.4} s: {what} needs at least {needed_s:.4} s")]
    TooShort {
        /// Length of the record, s.
        found_s: f64,
        /// Least length, s.
        needed_s: f64,
        /// What was to be measured.
        what: &'static str,
    },
    /// Nothing at the mains frequency, or at another one.
    #[error("mains frequency not found: {what}; expected {expected_hz} Hz")]
    NoMainsFrequency {
        /// What is there instead.
        what: String,
        /// Nominal frequency, Hz.
        expected_hz: f64,
    },
    /// A number in the record is not a number.
    #[error("frame {frame} of the {channel} is not a finite number")]
    NotFinite {
        /// Frame, counted from 0.
        frame: u64,
        /// Which channel.
        channel: &'static str,
    },
    /// Stopped on request.
    #[error("stopped on request; nothing was kept")]
    Cancelled,
    /// A data file of limits is at fault.
    #[error("{place}: {what}; expected {expected}")]
    Data {
        /// File and row.
        place: String,
        /// What stands there.
        what: String,
        /// What should.
        expected: String,
    },
}
