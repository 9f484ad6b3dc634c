//! The measuring receiver: from a capture to levels on every detector
