//! daybook
