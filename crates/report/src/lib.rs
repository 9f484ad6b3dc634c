//! The evidence as PDF, CSV and JSON
