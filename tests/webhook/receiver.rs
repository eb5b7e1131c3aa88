//! An HTTP receiver on loopback that behaves as badly as it is told to, and remembers what it got.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;

/// A request as it came in.
#[derive(Debug, Clone)]
pub struct Got {
    pub line: String,
    pub headers: BTreeMap<String, String>,
    pub body: String,
}

impl Got {
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", String::as_str)
    }
}

/// How a request is answered.
#[derive(Debug, Clone)]
pub enum Answer {
    /// A whole answer: status and extra header lines.
    Status(u16, &'static str),
    /// 200, after so many milliseconds.
    Late(u64),
    /// Nothing, with the connection held open.
    Hang,
    /// The status and the beginning of a body, then nothing more.
    HangInBody(u16),
    /// The status and the beginning of a body, then the end of the connection.
    CloseInBody(u16),
    /// A body without end.
    Flood(u16),
    /// These bytes.
    Bytes(&'static [u8]),
    /// 200, a byte at a time with so many milliseconds between.
    Trickle(u64),
    /// These bytes, again and again.
    Endless(&'static [u8]),
    /// The end of the connection.
    Close,
}

/// Answers the nth request (from 0) as a function says.
pub struct Receiver {
    pub url: String,
    got: Arc<Mutex<Vec<Got>>>,
    task: JoinHandle<()>,
}

impl Receiver {
    pub async fn start(answer: impl Fn(usize, &Got) -> Answer + Send + Sync + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
        let address = listener.local_addr().expect("an address");
        let got: Arc<Mutex<Vec<Got>>> = Arc::default();
        let (answer, kept) = (Arc::new(answer), Arc::clone(&got));
        let task = tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let (answer, kept) = (Arc::clone(&answer), Arc::clone(&kept));
                tokio::spawn(async move {
                    let _ = serve(stream, &*answer, &kept).await;
                });
            }
        });
        Self { url: format!("http://{address}/hook?token=hush"), got, task }
    }

    pub async fn always(answer: Answer) -> Self {
        Self::start(move |_, _| answer.clone()).await
    }

    pub fn got(&self) -> Vec<Got> {
        self.got.lock().expect("no panic").clone()
    }

    pub fn ids(&self) -> Vec<String> {
        let of = |got: &Got| got.header("webhook-id").to_owned();
        self.got().iter().map(of).collect()
    }

    /// Waits, at most 20 seconds, until so many requests came.
    pub async fn wait_for(&self, count: usize) -> Vec<Got> {
        for _ in 0..2000 {
            if self.got().len() >= count {
                return self.got();
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        panic!("{} of {count} requests came", self.got().len());
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        self.task.abort();
    }
}

async fn serve(
    mut stream: TcpStream,
    answer: &(impl Fn(usize, &Got) -> Answer + Sync),
    kept: &Mutex<Vec<Got>>,
) -> std::io::Result<()> {
    while let Some(got) = read(&mut stream).await? {
        let nth = {
            let mut kept = kept.lock().expect("no panic");
            kept.push(got.clone());
            kept.len() - 1
        };
        if !write(&mut stream, answer(nth, &got)).await? {
            return Ok(());
        }
    }
    Ok(())
}

async fn read(stream: &mut TcpStream) -> std::io::Result<Option<Got>> {
    let mut raw = Vec::new();
    let end = loop {
        if let Some(at) = raw.windows(4).position(|four| four == b"\r\n\r\n") {
            break at;
        }
        if stream.read_buf(&mut raw).await? == 0 {
            return Ok(None);
        }
    };
    let head = String::from_utf8_lossy(&raw[..end]).into_owned();
    let mut lines = head.lines();
    let line = lines.next().unwrap_or_default().to_owned();
    let headers: BTreeMap<String, String> = lines
        .filter_map(|line| line.split_once(": "))
        .map(|(name, value)| (name.to_lowercase(), value.to_owned()))
        .collect();
    let length: usize = headers.get("content-length").and_then(|text| text.parse().ok()).unwrap_or(0);
    while raw.len() < end + 4 + length {
        if stream.read_buf(&mut raw).await? == 0 {
            return Ok(None);
        }
    }
    let body = String::from_utf8_lossy(&raw[end + 4..]).into_owned();
    Ok(Some(Got { line, headers, body }))
}

/// False: the connection is at its end.
async fn write(stream: &mut TcpStream, answer: Answer) -> std::io::Result<bool> {
    match answer {
        Answer::Status(status, headers) => {
            let text = format!("HTTP/1.1 {status} X\r\ncontent-length: 2\r\n{headers}\r\nok");
            stream.write_all(text.as_bytes()).await?;
            Ok(true)
        }
        Answer::Late(ms) => {
            tokio::time::sleep(Duration::from_millis(ms)).await;
            stream.write_all(b"HTTP/1.1 200 X\r\ncontent-length: 0\r\n\r\n").await?;
            Ok(true)
        }
        Answer::Hang => {
            tokio::time::sleep(Duration::from_secs(120)).await;
            Ok(false)
        }
        Answer::HangInBody(status) => {
            begin_body(stream, status).await?;
            tokio::time::sleep(Duration::from_secs(120)).await;
            Ok(false)
        }
        Answer::CloseInBody(status) => {
            begin_body(stream, status).await?;
            Ok(false)
        }
        Answer::Flood(status) => {
            begin_body(stream, status).await?;
            for _ in 0..100_000 {
                stream.write_all(&[b'x'; 4096]).await?;
            }
            Ok(false)
        }
        Answer::Bytes(bytes) => {
            stream.write_all(bytes).await?;
            Ok(false)
        }
        Answer::Trickle(ms) => {
            for byte in b"HTTP/1.1 200 X\r\ncontent-length: 2\r\n\r\nok" {
                stream.write_all(&[*byte]).await?;
                tokio::time::sleep(Duration::from_millis(ms)).await;
            }
            Ok(true)
        }
        Answer::Endless(bytes) => loop {
            stream.write_all(bytes).await?;
        },
        Answer::Close => Ok(false),
    }
}

async fn begin_body(stream: &mut TcpStream, status: u16) -> std::io::Result<()> {
    let text = format!("HTTP/1.1 {status} X\r\ncontent-length: 1000000000\r\n\r\nbegin");
    stream.write_all(text.as_bytes()).await?;
    stream.flush().await
}
