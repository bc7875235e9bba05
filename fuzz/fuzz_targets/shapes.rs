//! Any bytes as the JSON of a shape in mm: a valid shape or an error, and what is done with every shape keeps to it.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| sheetloft_fuzz::shape(data));
