//! The supply against what the standard allows of a test source.
