//! Where lines go: an HTTP server that takes what is posted, counts lines and answers 204. It runs within the bench
//! process, whose CPU is not measured.

use std::error::Error;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread;

use flate2::read::GzDecoder;

/// The server and its count.
pub(crate) struct Sink {
    pub(crate) url: String,
    lines: Arc<AtomicU64>,
}

impl Sink {
    /// Starts it on a free port.
    pub(crate) fn start() -> io::Result<Self> {
        let listener = TcpListener::bind(("127.0.0.1", 0))?;
        let url = format!("http://{}", listener.local_addr()?);
        let lines = Arc::new(AtomicU64::new(0));
        let for_threads = Arc::clone(&lines);
        thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let lines = Arc::clone(&for_threads);
                // A client that goes away or is killed ends its thread; that is no fault of the sink.
                thread::spawn(move || serve(&stream, &lines).ok());
            }
        });
        Ok(Self { url, lines })
    }

    /// Lines taken so far.
    pub(crate) fn lines(&self) -> u64 {
        self.lines.load(Ordering::Relaxed)
    }
}

fn serve(stream: &TcpStream, count: &AtomicU64) -> Result<(), Box<dyn Error>> {
    stream.set_nodelay(true)?;
    let mut reader = BufReader::with_capacity(1 << 16, stream.try_clone()?);
    let mut writer = stream.try_clone()?;
    while let Some(head) = Head::read(&mut reader)? {
        let body = head.body(&mut reader)?;
        let mut text = Vec::new();
        if head.gzip {
            GzDecoder::new(body.as_slice()).read_to_end(&mut text)?;
        } else {
            text = body;
        }
        let lines = text.split(|&b| b == b'\n').filter(|line| !line.is_empty()).count();
        count.fetch_add(lines as u64, Ordering::Relaxed);
        writer.write_all(b"HTTP/1.1 204 No Content\r\n\r\n")?;
    }
    Ok(())
}

/// What matters of a request's head.
#[derive(Default)]
struct Head {
    length: usize,
    chunked: bool,
    gzip: bool,
}

impl Head {
    /// The next head; none at the end of the connection.
    fn read(reader: &mut impl BufRead) -> io::Result<Option<Self>> {
        let mut head = Self::default();
        let mut line = String::new();
        if reader.read_line(&mut line)? == 0 {
            return Ok(None);
        }
        loop {
            line.clear();
            reader.read_line(&mut line)?;
            let Some((name, value)) = line.trim_end().split_once(':') else { return Ok(Some(head)) };
            let value = value.trim();
            match name.to_ascii_lowercase().as_str() {
                "content-length" => head.length = value.parse().map_err(io::Error::other)?,
                "transfer-encoding" => head.chunked = value.eq_ignore_ascii_case("chunked"),
                "content-encoding" => head.gzip = value.eq_ignore_ascii_case("gzip"),
                _ => {}
            }
        }
    }

    fn body(&self, reader: &mut impl BufRead) -> io::Result<Vec<u8>> {
        let mut body = Vec::new();
        if !self.chunked {
            reader.take(self.length as u64).read_to_end(&mut body)?;
            return Ok(body);
        }
        loop {
            let mut size = String::new();
            reader.read_line(&mut size)?;
            let size = u64::from_str_radix(size.trim(), 16).map_err(io::Error::other)?;
            reader.take(size).read_to_end(&mut body)?;
            reader.read_line(&mut String::new())?;
            if size == 0 {
                return Ok(body);
            }
        }
    }
}
