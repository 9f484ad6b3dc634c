//! The invented demonstration product and the physical model that makes its captures
