//! Any bytes as DXF: an answer or an error, in bounded time and memory.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| sheetloft_fuzz::drawing("a.dxf", data));
