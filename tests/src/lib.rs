//! Whole-program tests and checks against published references; helpers for them.
