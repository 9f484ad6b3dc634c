use standards::Limit;

use crate::Trace;
use crate::verdict::{JudgeError, JudgeOptions, Verdict};

/// Judges a trace against limits.
pub fn judge(trace: &Trace, limits: &[&Limit], _options: &JudgeOptions) -> Result<Verdict, JudgeError> {
    trace.validate()?;
    if limits.is_empty() {
        return Err(JudgeError::NoLimit);
    }
    unimplemented!("filled in by the next change")
}
