//! F5: limits with deadband and delays; ISA-18.2 states.

pub mod settings;
