//! The window, end to end.
