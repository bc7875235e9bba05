//! The use-cases: one function for each thing a person does. The one door for every face.

pub mod action;
pub mod answer;
pub mod typescript;
