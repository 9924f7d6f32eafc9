//! The serving end of HTTP, for made-up other sides: whole requests in, any bytes out.

use std::io::{self, BufRead, BufReader, Read};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::thread::spawn;

use flate2::read::GzDecoder;

/// Most bytes of a line of the head.
const LINE_BYTES_MAX: u64 = 16 << 10;

/// One request, its body as it was before it was packed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Request {
    /// Path and query.
    pub path: String,
    /// Headers, their names in small letters.
    pub headers: Vec<(String, String)>,
    /// Body.
    pub body: Vec<u8>,
    /// Bytes of the body on the wire.
    pub wire_bytes: usize,
}

impl Request {
    /// The next request of a connection; none where it has ended.
    ///
    /// # Errors
    /// If it breaks off or is none.
    pub fn read(reader: &mut impl BufRead) -> io::Result<Option<Self>> {
        let Some(first) = line(reader)? else { return Ok(None) };
        let path = first.split(' ').nth(1).unwrap_or_default().to_owned();
        let (mut length, mut chunked, mut gzip) = (0, false, false);
        let mut headers = Vec::new();
        loop {
            let line = line(reader)?.ok_or(io::ErrorKind::UnexpectedEof)?;
            let Some((name, value)) = line.split_once(':') else { break };
            match name.to_ascii_lowercase().as_str() {
                "content-length" => length = value.trim().parse().map_err(io::Error::other)?,
                "transfer-encoding" => chunked = value.trim() == "chunked",
                "content-encoding" => gzip = value.trim() == "gzip",
                _ => {}
            }
            headers.push((name.to_ascii_lowercase(), value.trim().to_owned()));
        }
        let packed = if chunked { chunks(reader)? } else { exactly(reader, length)? };
        let wire_bytes = packed.len();
        let mut body = Vec::new();
        if gzip {
            GzDecoder::new(packed.as_slice()).read_to_end(&mut body)?;
        } else {
            body = packed;
        }
        Ok(Some(Self { path, headers, body, wire_bytes }))
    }

    /// What a header says; its name in small letters.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(other, _)| other == name).map(|(_, value)| value.as_str())
    }
}

/// A line without its end; none at the end of the connection.
fn line(reader: &mut impl BufRead) -> io::Result<Option<String>> {
    let mut line = String::new();
    let read = reader.take(LINE_BYTES_MAX).read_line(&mut line)?;
    Ok((read > 0).then(|| line.trim_end().to_owned()))
}

fn exactly(reader: &mut impl BufRead, length: usize) -> io::Result<Vec<u8>> {
    let mut body = vec![0; length];
    reader.read_exact(&mut body)?;
    Ok(body)
}

fn chunks(reader: &mut impl BufRead) -> io::Result<Vec<u8>> {
    let mut body = Vec::new();
    loop {
        let size = line(reader)?.ok_or(io::ErrorKind::UnexpectedEof)?;
        let size = usize::from_str_radix(&size, 16).map_err(io::Error::other)?;
        body.extend(exactly(reader, size)?);
        line(reader)?;
        if size == 0 {
            return Ok(body);
        }
    }
}

/// Serves on a free port of the loopback address until the process ends: `answer` is called with each whole request and
/// writes what it likes. A connection ends when it says `false` or fails. Gives the port.
///
/// # Panics
/// If there is no port.
pub fn serve(answer: impl Fn(Request, &mut TcpStream) -> io::Result<bool> + Send + Sync + 'static) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let port = listener.local_addr().expect("a bound socket has an address").port();
    let answer = Arc::new(answer);
    spawn(move || {
        for mut stream in listener.incoming().map_while(Result::ok) {
            let answer = Arc::clone(&answer);
            spawn(move || -> io::Result<()> {
                stream.set_nodelay(true)?;
                let mut reader = BufReader::with_capacity(1 << 16, stream.try_clone()?);
                // A client that goes away or is killed ends its connection; that is no fault of this side.
                while let Some(request) = Request::read(&mut reader)? {
                    if !answer(request, &mut stream)? {
                        break;
                    }
                }
                Ok(())
            });
        }
    });
    port
}
