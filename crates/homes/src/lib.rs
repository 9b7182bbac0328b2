//! homes
