//! Two boxes that ask each other: one GET over plain HTTP, one small JSON back.
//!
//! Nobody needs a key for it: it says which buses this box polls. Only what the configured other box asks counts for
//! anything, and all it can do is to make this one wait. Each question has a connection of its own, few at a time, short
//! and with a deadline.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::time::{sleep, timeout};

/// Connections at once. More: they wait in the system's queue.
const CONNECTIONS_MAX: usize = 8;
/// How long one question may take with its answer.
const QUESTION_MAX: Duration = Duration::from_secs(2);
/// Longest question and answer, bytes.
const BYTES_MAX: u64 = 4096;
/// Pause after the system would not take a connection over.
const PAUSE: Duration = Duration::from_millis(200);

/// Answers the question of a path, asked from an address; none where there is no such thing.
pub type Answers = Arc<dyn Fn(IpAddr, &str) -> Option<String> + Send + Sync>;

/// Answers until it is dropped.
pub async fn serve(listener: TcpListener, answers: Answers) {
    let places = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    loop {
        let place = Arc::clone(&places).acquire_owned().await.expect("nobody closes the semaphore");
        match listener.accept().await {
            Ok((stream, from)) => {
                let answers = Arc::clone(&answers);
                tokio::spawn(async move {
                    // Who hangs up or dawdles is of no interest.
                    let _ = timeout(QUESTION_MAX, answer(stream, from.ip(), &answers)).await;
                    drop(place);
                });
            }
            Err(_) => sleep(PAUSE).await,
        }
    }
}

async fn answer(mut stream: TcpStream, from: IpAddr, answers: &Answers) -> io::Result<()> {
    let head = read_head(&mut stream).await?;
    let path = head.strip_prefix("GET ").and_then(|rest| rest.split(' ').next());
    let body = path.and_then(|path| answers(from, path));
    let (status, body) = body.map_or(("404 Not Found", "{}".to_owned()), |body| ("200 OK", body));
    let length = body.len();
    let text = format!(
        "HTTP/1.1 {status}\r\nContent-Type: application/json\r\nContent-Length: {length}\r\nCache-Control: no-store\r\n\
         Connection: close\r\n\r\n{body}"
    );
    stream.write_all(text.as_bytes()).await?;
    stream.shutdown().await
}

/// What comes before the empty line.
async fn read_head(stream: &mut TcpStream) -> io::Result<String> {
    let mut bytes = Vec::new();
    let mut part = [0; 512];
    while !bytes.windows(4).any(|four| four == b"\r\n\r\n") {
        let count = stream.read(&mut part).await?;
        if count == 0 || bytes.len() as u64 > BYTES_MAX {
            return Err(io::ErrorKind::InvalidData.into());
        }
        bytes.extend_from_slice(&part[..count]);
    }
    String::from_utf8(bytes).map_err(|_| io::ErrorKind::InvalidData.into())
}

/// Asks `peer` for `path`; gives the body of its answer.
pub async fn ask(peer: SocketAddr, path: &str) -> Result<String, String> {
    match timeout(QUESTION_MAX, asked(peer, path)).await {
        Ok(Ok(body)) => Ok(body),
        Ok(Err(error)) => Err(error.to_string()),
        Err(_) => Err(format!("{peer} does not answer within {} s", QUESTION_MAX.as_secs())),
    }
}

async fn asked(peer: SocketAddr, path: &str) -> io::Result<String> {
    let mut stream = TcpStream::connect(peer).await?;
    let text = format!("GET {path} HTTP/1.1\r\nHost: {peer}\r\nConnection: close\r\n\r\n");
    stream.write_all(text.as_bytes()).await?;
    let mut bytes = Vec::new();
    stream.take(BYTES_MAX).read_to_end(&mut bytes).await?;
    let text = String::from_utf8(bytes).map_err(|_| io::Error::from(io::ErrorKind::InvalidData))?;
    let (head, body) = text.split_once("\r\n\r\n").ok_or(io::ErrorKind::UnexpectedEof)?;
    if !head.starts_with("HTTP/1.1 200 ") {
        let first = head.lines().next().unwrap_or_default();
        return Err(io::Error::other(format!("{peer} answers {first:?}: is the bus shared there?")));
    }
    Ok(body.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    async fn listening() -> SocketAddr {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let answers: Answers = Arc::new(|from, path| {
            path.strip_prefix("/standby/").map(|bus| format!("{{\"{bus}\":\"{from}\"}}"))
        });
        tokio::spawn(serve(listener, answers));
        address
    }

    #[tokio::test]
    async fn a_question_gets_its_answer() {
        let peer = listening().await;
        assert_eq!(ask(peer, "/standby/hall").await.unwrap(), "{\"hall\":\"127.0.0.1\"}");
        let refused = ask(peer, "/else").await.unwrap_err();
        assert!(refused.contains("404"), "{refused}");
    }

    #[tokio::test]
    async fn who_dawdles_keeps_nobody_waiting_for_long_and_who_floods_is_left() {
        let peer = listening().await;
        let mut silent = Vec::new();
        for _ in 0..CONNECTIONS_MAX {
            silent.push(TcpStream::connect(peer).await.unwrap());
        }
        let late = timeout(2 * QUESTION_MAX, async {
            loop {
                if ask(peer, "/standby/hall").await.is_ok() {
                    return;
                }
            }
        });
        assert!(late.await.is_ok());
        let mut flood = TcpStream::connect(peer).await.unwrap();
        let sent = timeout(QUESTION_MAX, async { while flood.write_all(&[b'x'; 4096]).await.is_ok() {} });
        assert!(sent.await.is_ok(), "it reads on and on");
    }
}
