//! Hushfield: EMC from a bench recording to a verdict and the evidence
