//! Arguments, configuration, signals, exit code.

fn main() {}
