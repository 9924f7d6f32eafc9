//! Modbus as the specification has it: tables, addresses, limits, exceptions, wire time.

/// The four tables a device can be read from (Modbus Application Protocol V1.1b3, 4.3).
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub enum Table {
    /// Single bits, read and write; function code 1. The manual's 0xxxx.
    Coil,
    /// Single bits, read only; function code 2. The manual's 1xxxx.
    DiscreteInput,
    /// 16-bit words, read and write; function code 3. The manual's 4xxxx.
    HoldingRegister,
    /// 16-bit words, read only; function code 4. The manual's 3xxxx.
    InputRegister,
}

/// A 0-based protocol address in one table.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Debug)]
pub struct Address {
    /// Which table.
    pub table: Table,
    /// 0-based, as it goes over the wire.
    pub index: u16,
}
