//! The project folder and its append-only ledger
