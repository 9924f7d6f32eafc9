//! Registers and bits of units, and how they answer a read request.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::RangeInclusive;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use sumpwarden_protocol::modbus::pdu::{self, PduError, ReadRequest};
use sumpwarden_protocol::modbus::{Address, ExceptionCode, Table};

use super::fault::{Fault, Script, Times};

/// Units behind one wire, shared between the servers that answer from them and the test or shop that owns them.
#[derive(Clone, Debug, Default)]
pub struct Bank {
    units: Arc<Mutex<Units>>,
}

#[derive(Debug, Default)]
struct Units {
    units: BTreeMap<u8, Unit>,
    /// What a request for a unit that is not there gets; silence where `None`.
    stranger: Option<ExceptionCode>,
    /// Requests that were no read request of the four tables.
    refused_functions: BTreeMap<u8, u64>,
}

/// One unit: four tables, each as long as it was made.
#[derive(Clone, Debug, Default)]
pub struct Unit {
    coils: Vec<bool>,
    discrete_inputs: Vec<bool>,
    holding_registers: Vec<u16>,
    input_registers: Vec<u16>,
    holes: BTreeSet<Address>,
    registers_max: Option<u16>,
    counter_at: Option<Address>,
    counter: u32,
    script: Script,
    counts: Counts,
    answered: Vec<RangeInclusive<u32>>,
}

/// What became of the requests to one unit.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counts {
    /// Requests that reached the unit.
    pub requests: u64,
    /// Replies sent whole and undisturbed, exceptions included.
    pub answered: u64,
    /// Of these, exceptions.
    pub exceptions: u64,
    /// Requests on which a fault of the script was played.
    pub disturbed: u64,
}

/// What a unit makes of a request.
#[derive(Clone, Debug)]
pub(super) struct Answer {
    /// The reply's PDU.
    pub(super) pdu: Vec<u8>,
    /// The fault to play on it.
    pub(super) fault: Option<Fault>,
    /// Value of the reply counter in it.
    pub(super) counter: Option<u32>,
}

impl Unit {
    /// A unit without any table: every function gets exception 1.
    pub fn new() -> Self {
        Self::default()
    }

    /// With so many input registers, all 0.
    pub fn with_input_registers(mut self, count: u16) -> Self {
        self.input_registers = vec![0; usize::from(count)];
        self
    }

    /// With so many holding registers, all 0.
    pub fn with_holding_registers(mut self, count: u16) -> Self {
        self.holding_registers = vec![0; usize::from(count)];
        self
    }

    /// With so many coils, all off.
    pub fn with_coils(mut self, count: u16) -> Self {
        self.coils = vec![false; usize::from(count)];
        self
    }

    /// With so many discrete inputs, all off.
    pub fn with_discrete_inputs(mut self, count: u16) -> Self {
        self.discrete_inputs = vec![false; usize::from(count)];
        self
    }

    /// Counts its replies in the register at `at` (high word) and the next (low word): every reply that carries the first
    /// of the two has the next number, from 1 on.
    pub fn with_counter_at(mut self, at: Address) -> Self {
        self.counter_at = Some(at);
        self
    }

    /// Without these addresses: a request that touches one gets exception 2.
    pub fn with_holes(mut self, holes: impl IntoIterator<Item = Address>) -> Self {
        self.holes.extend(holes);
        self
    }

    /// Gives exception 3 to requests for more registers than this.
    pub fn with_registers_max(mut self, registers_max: u16) -> Self {
        self.registers_max = Some(registers_max);
        self
    }

    fn len(&self, table: Table) -> usize {
        match table {
            Table::Coil => self.coils.len(),
            Table::DiscreteInput => self.discrete_inputs.len(),
            Table::HoldingRegister => self.holding_registers.len(),
            Table::InputRegister => self.input_registers.len(),
        }
    }

    fn words_mut(&mut self, table: Table) -> Option<&mut Vec<u16>> {
        match table {
            Table::HoldingRegister => Some(&mut self.holding_registers),
            Table::InputRegister => Some(&mut self.input_registers),
            Table::Coil | Table::DiscreteInput => None,
        }
    }

    /// The exception a request deserves, in the order of the specification's state diagrams: function, count, address.
    fn refuse(&self, request: Result<ReadRequest, PduError>) -> Result<ReadRequest, ExceptionCode> {
        let request = request.map_err(|error| match error {
            PduError::Function(_) => ExceptionCode::from_code(1),
            PduError::PastEnd { .. } => ExceptionCode::from_code(2),
            _ => ExceptionCode::from_code(3),
        })?;
        let (table, first) = (request.first().table, usize::from(request.first().index));
        let end = first + usize::from(request.count());
        if self.len(table) == 0 {
            return Err(ExceptionCode::from_code(1));
        }
        if !table.is_bits() && self.registers_max.is_some_and(|max| request.count() > max) {
            return Err(ExceptionCode::from_code(3));
        }
        let touched = |hole: &Address| hole.table == table && (first..end).contains(&usize::from(hole.index));
        if end > self.len(table) || self.holes.iter().any(touched) {
            return Err(ExceptionCode::from_code(2));
        }
        Ok(request)
    }

    fn answer(&mut self, request: &[u8]) -> Answer {
        self.counts.requests += 1;
        let fault = self.script.next();
        self.counts.disturbed += u64::from(fault.is_some());
        let function_code = request.first().copied().unwrap_or(0);
        if let Some(Fault::Exception(code)) = fault {
            let pdu = pdu::encode_exception(function_code, ExceptionCode::from_code(code)).to_vec();
            return Answer { pdu, fault, counter: None };
        }
        match self.refuse(ReadRequest::decode(request)) {
            Ok(request) => {
                let counter = self.count_up(request);
                Answer { pdu: self.read(request), fault, counter }
            }
            Err(code) => {
                Answer { pdu: pdu::encode_exception(function_code, code).to_vec(), fault, counter: None }
            }
        }
    }

    fn count_up(&mut self, request: ReadRequest) -> Option<u32> {
        let at = self.counter_at?;
        let range = usize::from(request.first().index)
            ..usize::from(request.first().index) + usize::from(request.count());
        if request.first().table != at.table || !range.contains(&usize::from(at.index)) {
            return None;
        }
        self.counter = self.counter.wrapping_add(1);
        let counter = self.counter;
        let words = self.words_mut(at.table)?;
        let low = usize::from(at.index) + 1;
        if low < words.len() {
            words[low - 1] = (counter >> 16) as u16;
            words[low] = counter as u16;
        }
        Some(counter)
    }

    fn read(&self, request: ReadRequest) -> Vec<u8> {
        let table = request.first().table;
        let range = usize::from(request.first().index)
            ..usize::from(request.first().index) + usize::from(request.count());
        let mut out = Vec::with_capacity(request.reply_bytes());
        let built = match table {
            Table::Coil => pdu::encode_bits(table, &self.coils[range], &mut out),
            Table::DiscreteInput => pdu::encode_bits(table, &self.discrete_inputs[range], &mut out),
            Table::HoldingRegister => pdu::encode_registers(table, &self.holding_registers[range], &mut out),
            Table::InputRegister => pdu::encode_registers(table, &self.input_registers[range], &mut out),
        };
        built.expect("refuse() let only counts through that fit one reply");
        out
    }
}

impl Bank {
    /// No units; a request for any gets silence.
    pub fn new() -> Self {
        Self::default()
    }

    /// Puts a unit behind the wire, in place of one of the same id.
    pub fn with_unit(self, unit_id: u8, unit: Unit) -> Self {
        self.lock().units.insert(unit_id, unit);
        self
    }

    /// Answers requests for units that are not there with this exception, as a bus gateway does (10 or 11).
    pub fn with_stranger(self, code: u8) -> Self {
        self.lock().stranger = Some(ExceptionCode::from_code(code));
        self
    }

    /// Writes registers from `at` on; what does not fit the table is left out, and a unit that is not there stays away.
    pub fn set_words(&self, unit_id: u8, at: Address, words: &[u16]) {
        let mut units = self.lock();
        let Some(table) = units.units.get_mut(&unit_id).and_then(|unit| unit.words_mut(at.table)) else {
            return;
        };
        for (slot, word) in table.iter_mut().skip(usize::from(at.index)).zip(words) {
            *slot = *word;
        }
    }

    /// Sets one coil or discrete input, where there is one.
    pub fn set_bit(&self, unit_id: u8, at: Address, on: bool) {
        let mut units = self.lock();
        let Some(unit) = units.units.get_mut(&unit_id) else { return };
        let table = match at.table {
            Table::Coil => &mut unit.coils,
            Table::DiscreteInput => &mut unit.discrete_inputs,
            Table::HoldingRegister | Table::InputRegister => return,
        };
        if let Some(slot) = table.get_mut(usize::from(at.index)) {
            *slot = on;
        }
    }

    /// Appends a fault to a unit's script: it is played on the unit's next requests, after what is in the script already.
    pub fn script(&self, unit_id: u8, fault: Fault, times: Times) {
        if let Some(unit) = self.lock().units.get_mut(&unit_id) {
            unit.script.push(fault, times);
        }
    }

    /// Ends every fault of a unit.
    pub fn heal(&self, unit_id: u8) {
        if let Some(unit) = self.lock().units.get_mut(&unit_id) {
            unit.script.clear();
        }
    }

    /// What became of the requests to a unit; zeros for one that is not there.
    pub fn counts(&self, unit_id: u8) -> Counts {
        self.lock().units.get(&unit_id).map(|unit| unit.counts).unwrap_or_default()
    }

    /// Values of the reply counter in replies that went out whole and undisturbed, as ranges in the order sent.
    pub fn answered(&self, unit_id: u8) -> Vec<RangeInclusive<u32>> {
        self.lock().units.get(&unit_id).map(|unit| unit.answered.clone()).unwrap_or_default()
    }

    /// Requests of functions other than the four reads, by function code: a gateway that only reads leaves this empty.
    pub fn refused_functions(&self) -> BTreeMap<u8, u64> {
        self.lock().refused_functions.clone()
    }

    /// What goes back for a request; `None` where the unit is not there and strangers get silence.
    pub(super) fn answer(&self, unit_id: u8, request: &[u8]) -> Option<Answer> {
        let mut units = self.lock();
        if let Some(&code) = request.first()
            && Table::from_function_code(code).is_none()
        {
            *units.refused_functions.entry(code).or_default() += 1;
        }
        let stranger = units.stranger;
        match units.units.get_mut(&unit_id) {
            Some(unit) => Some(unit.answer(request)),
            None => stranger.map(|code| Answer {
                pdu: pdu::encode_exception(request.first().copied().unwrap_or(0), code).to_vec(),
                fault: None,
                counter: None,
            }),
        }
    }

    /// Books a reply that went out whole and undisturbed.
    pub(super) fn book(&self, unit_id: u8, answer: &Answer) {
        let mut units = self.lock();
        let Some(unit) = units.units.get_mut(&unit_id) else { return };
        unit.counts.answered += 1;
        unit.counts.exceptions += u64::from(answer.pdu.first().is_some_and(|code| code & 0x80 != 0));
        let Some(counter) = answer.counter else { return };
        match unit.answered.last_mut() {
            Some(range) if range.end().checked_add(1) == Some(counter) => *range = *range.start()..=counter,
            _ => unit.answered.push(counter..=counter),
        }
    }

    /// A panic in another thread leaves whole numbers behind, so a poisoned lock is taken as it is.
    fn lock(&self) -> MutexGuard<'_, Units> {
        self.units.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hex(text: &str) -> Vec<u8> {
        text.split(' ').map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
    }

    fn bits(bytes: &[u8]) -> Vec<bool> {
        bytes.iter().flat_map(|byte| (0..8).map(move |i| byte >> i & 1 == 1)).collect()
    }

    #[test]
    fn answers_are_the_specification_s_examples() {
        // Modbus Application Protocol V1.1b3, 6.1 to 6.4: request and response of each worked example.
        let bank = Bank::new().with_unit(
            17,
            Unit::new()
                .with_coils(64)
                .with_discrete_inputs(256)
                .with_holding_registers(128)
                .with_input_registers(16),
        );
        for (i, on) in bits(&hex("CD 6B 05")).into_iter().enumerate() {
            bank.set_bit(17, Address::new(Table::Coil, 0x13 + i as u16), on);
        }
        for (i, on) in bits(&hex("AC DB 35")).into_iter().enumerate() {
            bank.set_bit(17, Address::new(Table::DiscreteInput, 0xC4 + i as u16), on);
        }
        bank.set_words(17, Address::new(Table::HoldingRegister, 0x6B), &[0x022B, 0, 0x64]);
        bank.set_words(17, Address::new(Table::InputRegister, 8), &[10]);
        for (request, reply) in [
            ("01 00 13 00 13", "01 03 CD 6B 05"),
            ("02 00 C4 00 16", "02 03 AC DB 35"),
            ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
            ("04 00 08 00 01", "04 02 00 0A"),
        ] {
            assert_eq!(bank.answer(17, &hex(request)).unwrap().pdu, hex(reply), "{request}");
        }
    }

    #[test]
    fn exceptions_follow_the_specification_s_order() {
        let unit = Unit::new()
            .with_holding_registers(10)
            .with_registers_max(4)
            .with_holes([Address::new(Table::HoldingRegister, 7)]);
        let bank = Bank::new().with_unit(1, unit);
        for (request, reply, why) in [
            ("06 00 01 00 03", "86 01", "no writing function"),
            ("04 00 00 00 01", "84 01", "no input registers"),
            ("03 00 00 00 00", "83 03", "count 0"),
            ("03 00 00 00 7E", "83 03", "count 126"),
            ("03 00 00 00 05", "83 03", "more than the device gives at once"),
            ("03 00 08 00 03", "83 02", "past its end"),
            ("03 00 06 00 02", "83 02", "over a hole"),
            ("03 FF FF 00 02", "83 02", "past 65535"),
        ] {
            assert_eq!(bank.answer(1, &hex(request)).unwrap().pdu, hex(reply), "{why}");
        }
        assert_eq!(bank.refused_functions(), BTreeMap::from([(6, 1)]));
        assert!(bank.answer(2, &hex("03 00 00 00 01")).is_none());
        let gateway = Bank::new().with_stranger(11);
        assert_eq!(gateway.answer(2, &hex("03 00 00 00 01")).unwrap().pdu, hex("83 0B"));
    }

    #[test]
    fn each_reply_has_its_own_number() {
        let at = Address::new(Table::InputRegister, 0);
        let bank = Bank::new().with_unit(1, Unit::new().with_input_registers(4).with_counter_at(at));
        let ask = |request: &str| bank.answer(1, &hex(request)).unwrap();
        assert_eq!(ask("04 00 00 00 02").pdu, hex("04 04 00 00 00 01"));
        assert_eq!(ask("04 00 02 00 02").counter, None, "counter not read");
        assert_eq!(ask("04 00 00 00 03").pdu, hex("04 06 00 00 00 02 00 00"));
        let third = ask("04 00 00 00 02");
        bank.book(1, &third);
        bank.book(1, &ask("04 00 00 00 02"));
        assert_eq!(bank.answered(1), [3..=4]);
        assert_eq!(bank.counts(1), Counts { requests: 5, answered: 2, exceptions: 0, disturbed: 0 });
    }
}
