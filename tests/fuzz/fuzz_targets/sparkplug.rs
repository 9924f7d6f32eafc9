#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| sumpwarden_fuzz::sparkplug(data));
