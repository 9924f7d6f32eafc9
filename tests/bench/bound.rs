//! The bound: the same frames over bare sockets and nothing else. One thread, one epoll set, one buffer; a request is
//! sent as soon as the reply before it is in. No conversion, no time-out, no error handling beyond stopping.

use std::error::Error;
use std::io::{Read, Write};
use std::net::TcpStream;

use sumpwarden_protocol::modbus::{Address, ReadRequest, Table, tcp};

use crate::wire::{REGISTERS, Ready, UNIT_ID, prepare};

/// Polls the devices behind `ports` until it is killed.
pub(crate) fn poll_for_ever(ports: &[u16]) -> Result<(), Box<dyn Error>> {
    let request = ReadRequest::new(Address::new(Table::InputRegister, 0), REGISTERS)?;
    let reply_bytes = tcp::HEADER_BYTES + request.reply_bytes();
    let mut frame = Vec::new();
    tcp::encode(0, UNIT_ID, &request.encode(), &mut frame)?;

    let mut ready = Ready::new()?;
    let mut streams = Vec::with_capacity(ports.len());
    for (i, &port) in ports.iter().enumerate() {
        let stream = TcpStream::connect(("127.0.0.1", port))?;
        prepare(&stream)?;
        ready.add(&stream, i as u64)?;
        streams.push(stream);
    }
    for stream in &mut streams {
        stream.write_all(&frame)?;
    }
    let mut transaction_id: u16 = 0;
    let mut reply = [0; 512];
    loop {
        for number in ready.wait()? {
            let stream = &mut streams[number as usize];
            let length = stream.read(&mut reply)?;
            if length != reply_bytes {
                return Err(format!("a reply of {length} bytes where {reply_bytes} belong").into());
            }
            transaction_id = transaction_id.wrapping_add(1);
            frame[..2].copy_from_slice(&transaction_id.to_be_bytes());
            stream.write_all(&frame)?;
        }
    }
}
