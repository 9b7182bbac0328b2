//! score
