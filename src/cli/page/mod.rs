//! `groovelag page`: the page at the turntable, served to this machine alone.

mod desk;
mod guard;
mod listen;

use super::Outcome;
use super::output;
use clap::Args;
use desk::{Desk, EVIDENCE, Fields};
use groovelag::report::turntable::{Live, View, without_options};
use guard::Door;
use http_body_util::{BodyExt, Full};
use hyper::body::{Body, Bytes, Incoming};
use hyper::header::{CONTENT_SECURITY_POLICY, HeaderValue, LOCATION, SET_COOKIE};
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode, Uri};
use hyper_util::rt::{TokioIo, TokioTimer};
use listen::{Ear, Heard};
use std::convert::Infallible;
use std::io::{IsTerminal, Write};
use std::net::Ipv4Addr;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::{Notify, Semaphore, oneshot};
use tokio::time::timeout;

/// Connections at a time: some windows of one browser (common practice, no source).
const CONNECTIONS: usize = 32;
/// Longest head of a request, bytes, and most of its fields: a browser's have some hundred
/// bytes and twenty fields (common practice, no source).
const LONGEST_HEAD: usize = 16 << 10;
const MOST_FIELDS: usize = 64;
/// How long a head, or the next piece of a body, is waited for (common practice, no source).
const PATIENCE: Duration = Duration::from_secs(20);
/// How long the last answers may take once the page is ended.
const GRACE: Duration = Duration::from_secs(2);

/// What the page is made of: path, kind, content.
const ASSETS: [(&str, &str, &str); 5] = [
    (
        "/",
        "text/html; charset=utf-8",
        include_str!("assets/page.html"),
    ),
    (
        "/page.css",
        "text/css; charset=utf-8",
        include_str!("assets/page.css"),
    ),
    (
        "/page.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/page.js"),
    ),
    (
        "/ear.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/ear.js"),
    ),
    (
        "/icon.svg",
        "image/svg+xml",
        include_str!("assets/icon.svg"),
    ),
];

/// The folder where none is named.
const FOLDER: &str = "stylus";

/// Open the page at the turntable in a browser
#[derive(Debug, Args)]
#[command(
    after_help = "Listens to a sound input, or takes recordings that are dropped on it. The page
is served to this machine alone. What it keeps lies in FOLDER: recordings,
job.toml, solution.json and evidence.html, which every other command reads.
Opening the folder again goes on where it was. Ctrl-C, or the page's own button,
ends it. Started by a double click, the program does the same with the folder
'stylus' of the user's own (on Windows, press Enter in its window).

Example:
  groovelag page my-stylus"
)]
pub struct Page {
    /// Folder of the job; made if there is none
    #[arg(value_name = "FOLDER", default_value = FOLDER)]
    folder: PathBuf,
    /// Port to listen on [default: one that is free]
    #[arg(long, value_name = "PORT")]
    port: Option<u16>,
    /// Print the address; open no browser
    #[arg(long)]
    no_browser: bool,
}

/// Whether the program was started from a desktop, where nobody reads what it prints: by a
/// session with a screen, without a terminal, and not by a program that waits for output.
#[cfg(unix)]
pub fn is_double_click() -> bool {
    use std::os::unix::fs::FileTypeExt;
    let has_screen = ["DISPLAY", "WAYLAND_DISPLAY"]
        .iter()
        .any(|name| std::env::var_os(name).is_some_and(|v| !v.is_empty()));
    // where this is not known, somebody may be waiting
    let nobody_waits = std::fs::metadata("/dev/stdout").is_ok_and(|out| {
        let kind = out.file_type();
        kind.is_char_device() || kind.is_socket()
    });
    let terminal = std::io::stdin().is_terminal()
        || std::io::stdout().is_terminal()
        || std::io::stderr().is_terminal();
    has_screen && nobody_waits && !terminal
}

/// Elsewhere a double click brings a terminal of its own, which closes with the program:
/// whoever sits before it is asked.
#[cfg(not(unix))]
pub fn is_double_click() -> bool {
    let terminal = std::io::stdin().is_terminal()
        && std::io::stdout().is_terminal()
        && std::io::stderr().is_terminal();
    if !terminal {
        return false;
    }
    output::say(
        "Press Enter to open the page at the turntable in a browser. To see the commands, press Ctrl-C, open a terminal and type 'groovelag --help'.\n",
    );
    std::io::stdin()
        .read_line(&mut String::new())
        .is_ok_and(|bytes| bytes > 0)
}

impl Page {
    /// The page of a folder in the user's own.
    pub fn at_home() -> Self {
        Self {
            folder: std::env::home_dir().unwrap_or_default().join(FOLDER),
            port: None,
            no_browser: false,
        }
    }

    /// Runs the command.
    pub fn run(&self) -> Result<Outcome, String> {
        let folder = &self.folder;
        std::fs::create_dir_all(folder).map_err(|e| {
            format!(
                "{} cannot be made or used ({e}); name another folder",
                folder.display()
            )
        })?;
        output::clear(folder);
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|e| format!("the page cannot be served ({e})"))?;
        let ended = runtime.block_on(self.serve());
        // a calculation that nobody waits for any more
        runtime.shutdown_background();
        ended.map(|()| Outcome::Done)
    }

    async fn serve(&self) -> Result<(), String> {
        let wished = self.port.unwrap_or(0);
        // a number, so that no resolver of names is brought along
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, wished))
            .await
            .map_err(|e| {
                format!("port {wished} cannot be used ({e}); leave --port away, or give another")
            })?;
        let port = listener.local_addr().map_err(|e| e.to_string())?.port();
        let door = Door::new(port)?;
        let end = Arc::new(Notify::new());
        let interrupted = Arc::clone(&end);
        // where interruptions are ignored (nohup), the page's own button ends it
        let _ = ctrlc::try_set_handler(move || interrupted.notify_one());
        let address = door.address();
        output::print(&format!(
            "The page is at {address}\nIt is for this machine alone. Ctrl-C, or its own button, ends it.\n"
        ))?;
        if !self.no_browser {
            open_browser(&address);
        }
        let server = Arc::new(Server {
            door,
            desk: Mutex::new(Desk::new(self.folder.clone())),
            ear: Ear::default(),
            end: Arc::clone(&end),
        });
        let ear = server.ear.clone();
        let places = Arc::new(Semaphore::new(CONNECTIONS));
        let accepting = tokio::spawn(accept(listener, server, Arc::clone(&places)));
        end.notified().await;
        accepting.abort();
        // the answer to the one who pressed the button
        let _ = timeout(GRACE, places.acquire_many(CONNECTIONS as u32)).await;
        // what is being recorded stays in the folder
        let _ = ear.end(true);
        Ok(())
    }
}

/// Takes connections in, each on its own, as long as there are places.
async fn accept(listener: TcpListener, server: Arc<Server>, places: Arc<Semaphore>) {
    loop {
        let accepted = listener.accept().await;
        let (Ok((stream, _)), Ok(place)) = (accepted, Arc::clone(&places).acquire_owned().await)
        else {
            // out of descriptors for a moment, say
            tokio::time::sleep(Duration::from_millis(100)).await;
            continue;
        };
        let server = Arc::clone(&server);
        tokio::spawn(async move {
            let service = service_fn(|request| {
                let server = Arc::clone(&server);
                async move { Ok::<_, Infallible>(server.answer(request).await) }
            });
            // what a client does wrong ends its connection, and nothing else
            let _ = hyper::server::conn::http1::Builder::new()
                .timer(TokioTimer::new())
                .header_read_timeout(PATIENCE)
                .max_buf_size(LONGEST_HEAD)
                .max_headers(MOST_FIELDS)
                .serve_connection(TokioIo::new(stream), service)
                .await;
            drop(place);
        });
    }
}

/// Opens an address the way the system does; where it cannot, the address stands printed.
fn open_browser(address: &str) {
    let mut command = if cfg!(target_os = "windows") {
        let mut start = Command::new("rundll32");
        start.arg("url.dll,FileProtocolHandler");
        start
    } else if cfg!(target_os = "macos") {
        Command::new("open")
    } else {
        Command::new("xdg-open")
    };
    let quiet = command
        .arg(address)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    if quiet.spawn().is_err() {
        output::note("no browser could be opened; open the address above in one");
    }
}

type Answer = Response<Full<Bytes>>;

struct Server {
    door: Door,
    desk: Mutex<Desk>,
    ear: Ear,
    end: Arc<Notify>,
}

impl Server {
    async fn answer(self: Arc<Self>, request: Request<Incoming>) -> Answer {
        let (head, body) = request.into_parts();
        if let Some((status, words)) = self.door.refuses(&head) {
            return closing(plain(status, words));
        }
        let path = head.uri.path();
        if head.method != Method::POST {
            return self.shown(path).await;
        }
        let length = guard::promised(&head.headers);
        match path {
            "/recording" => self.upload(&head.uri, length, body).await,
            "/samples" => self.hear(&head.uri, length, body).await,
            "/job" | "/leave-out" | "/put-away" | "/listen" | "/listened" | "/end" => {
                if length > guard::LARGEST_FORM {
                    return closing(plain(
                        StatusCode::PAYLOAD_TOO_LARGE,
                        "A form is not so long.",
                    ));
                }
                let Some(form) = whole(body).await else {
                    return closing(plain(
                        StatusCode::REQUEST_TIMEOUT,
                        "The form did not come whole.",
                    ));
                };
                let Some(fields) = fields(&form) else {
                    return plain(StatusCode::BAD_REQUEST, "This is no form.");
                };
                if path == "/end" {
                    self.end.notify_one();
                    return closing(plain(StatusCode::OK, "The page has ended."));
                }
                let path = path.to_owned();
                answered(move || self.done(&path, &fields)).await
            }
            _ => closing(nothing_here()),
        }
    }

    /// What is looked at.
    async fn shown(self: Arc<Self>, path: &str) -> Answer {
        if let Some((_, kind, content)) = ASSETS.iter().find(|a| a.0 == path) {
            return made(StatusCode::OK, kind, *content);
        }
        if self.door.is_entrance(path) {
            let mut answer = plain(StatusCode::SEE_OTHER, "");
            answer
                .headers_mut()
                .insert(LOCATION, HeaderValue::from_static("/"));
            if let Ok(cookie) = HeaderValue::try_from(self.door.cookie()) {
                answer.headers_mut().insert(SET_COOKIE, cookie);
            }
            return answer;
        }
        match path {
            "/state" | "/inputs" | "/evidence" => {
                let path = path.to_owned();
                answered(move || self.read(&path)).await
            }
            _ => nothing_here(),
        }
    }

    /// What is read for it.
    fn read(&self, path: &str) -> Answer {
        match path {
            "/state" => {
                let view = self.desk().view();
                self.seen(Ok(view))
            }
            "/inputs" => json(&listen::inputs()),
            _ => {
                let file = self.desk().folder().join(EVIDENCE);
                let Ok(html) = groovelag::outside::read(&file) else {
                    return nothing_here();
                };
                let mut answer = made(StatusCode::OK, "text/html; charset=utf-8", html);
                let policy = HeaderValue::from_static(guard::EVIDENCE_POLICY);
                answer.headers_mut().insert(CONTENT_SECURITY_POLICY, policy);
                answer
            }
        }
    }

    /// What a form asks for.
    fn done(&self, path: &str, fields: &Fields) -> Answer {
        let get = |key: &str| fields.get(key).map_or("", String::as_str);
        let done = match path {
            "/job" => {
                let stated = self.desk().state(fields);
                return self.seen(stated);
            }
            "/listen" => return live(self.listen(fields)),
            "/leave-out" => self.desk().leave_out(get("file")),
            "/put-away" => self.ear.is_free().and_then(|()| self.desk().put_away()),
            _ => match self.ear.end(get("keep") == "yes") {
                Ok(Some((place, file))) => self.desk().keep(&place, &file),
                Ok(None) => Ok(self.desk().view()),
                Err(message) => Err(message),
            },
        };
        self.seen(done.map_err(|message| ("", message)))
    }

    /// Begins to listen.
    fn listen(&self, fields: &Fields) -> Result<Live, String> {
        self.ear.is_free()?;
        let get = |key: &str| fields.get(key).map_or("", String::as_str);
        let mut asked = fields.clone();
        // recorded here, so it ends as such recordings do
        asked.insert("name".to_owned(), "recording.wav".to_owned());
        let place = self.desk().place(&asked)?;
        let listened = || self.desk().listen(&place);
        match get("input") {
            "" => {
                let heard = Heard {
                    rate: get("rate"),
                    channels: get("channels"),
                    processing: get("processing"),
                    name: get("source"),
                };
                self.ear.begin(&heard, place.clone(), listened)
            }
            input => self.ear.record(input, place.clone(), listened),
        }
    }

    /// A piece of sound.
    async fn hear(self: Arc<Self>, uri: &Uri, length: u64, body: Incoming) -> Answer {
        if length > listen::LARGEST_PIECE {
            return closing(refused("", "So large a piece of sound is never sent."));
        }
        let query = query(uri);
        let number = |key: &str| query.get(key).and_then(|text| text.parse::<f64>().ok());
        let (Some(first), lost_s) = (number("first"), number("lost").unwrap_or(0.0)) else {
            return closing(refused("", "This piece has no number."));
        };
        let Some(piece) = whole(body).await else {
            return closing(refused("", "The piece did not come whole."));
        };
        answered(move || live(self.ear.hear(first as u64, lost_s, &piece))).await
    }

    /// A recording, written to the disk as it comes.
    async fn upload(self: Arc<Self>, uri: &Uri, length: u64, mut body: Incoming) -> Answer {
        if length > guard::LARGEST_RECORDING {
            let words =
                "The recording is longer than a WAV file can be (4 GiB); cut a part out of it.";
            return closing(refused("", words));
        }
        let query = query(uri);
        let name = query.get("name").cloned().unwrap_or_default();
        let server = Arc::clone(&self);
        let begun = beside(move || {
            let desk = server.desk();
            let place = desk.place(&query)?;
            Ok::<_, String>((place, output::begin(&desk.folder().join("recording"))?))
        });
        let (place, mut file) = match begun.await {
            Some(Ok(begun)) => begun,
            Some(Err(message)) => return closing(refused("", &message)),
            None => return broken(),
        };
        let mut came = 0;
        while !body.is_end_stream() {
            let piece = match timeout(PATIENCE, body.frame()).await {
                Ok(Some(Ok(frame))) => frame.into_data().unwrap_or_default(),
                Ok(None) => break,
                Ok(Some(Err(_))) | Err(_) => {
                    return closing(refused(
                        "",
                        "The recording did not come whole; nothing of it is kept.",
                    ));
                }
            };
            came += piece.len() as u64;
            if let Err(e) = file.file().write_all(&piece) {
                let words = format!(
                    "The recording cannot be saved ({e}); nothing of it is kept. Make room on the disk."
                );
                return closing(refused("", &words));
            }
        }
        if came != length || came == 0 {
            return refused(
                "",
                "The recording did not come whole; nothing of it is kept.",
            );
        }
        answered(move || {
            let taken = self.desk().take(&place, &name, file);
            self.seen(taken.map_err(|message| ("", message)))
        })
        .await
    }

    fn desk(&self) -> std::sync::MutexGuard<'_, Desk> {
        self.desk.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What is shown after work at the desk, which is free again before the ear is asked.
    fn seen(&self, worked: Result<View, desk::Wrong>) -> Answer {
        match worked {
            Ok(view) => json(&View {
                live: self.ear.live(),
                ..view
            }),
            Err((field, message)) => refused(field, &message),
        }
    }
}

/// A body, once it is there.
async fn whole(body: Incoming) -> Option<Bytes> {
    let collected = timeout(PATIENCE, body.collect()).await;
    Some(collected.ok()?.ok()?.to_bytes())
}

/// Does what may take its time beside the server, which goes on answering; `None` where it
/// fails by a fault of the program's own. The runtime sees one kind of work: each kind of its own
/// would bring a copy of the runtime's code with it.
async fn beside<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Option<T> {
    let (tell, told) = oneshot::channel();
    let work: Box<dyn FnOnce() + Send> = Box::new(move || {
        // nobody may wait for it any more
        let _ = tell.send(work());
    });
    tokio::task::spawn_blocking(work);
    told.await.ok()
}

/// The same for what makes an answer.
async fn answered(work: impl FnOnce() -> Answer + Send + 'static) -> Answer {
    beside(work).await.unwrap_or_else(broken)
}

/// What is shown of a recording that is being made, or why it is not.
fn live(worked: Result<Live, String>) -> Answer {
    match worked {
        Ok(live) => json(&live),
        Err(message) => refused("", &message),
    }
}

fn json(document: &impl serde::Serialize) -> Answer {
    match serde_json::to_string(document) {
        Ok(json) => made(StatusCode::OK, "application/json", json),
        Err(_) => broken(),
    }
}

/// An answer with every field that protects it.
fn made(status: StatusCode, kind: &'static str, content: impl Into<Bytes>) -> Answer {
    let mut answer = Response::new(Full::new(content.into()));
    *answer.status_mut() = status;
    let headers = answer.headers_mut();
    for (name, value) in [
        ("content-type", kind),
        ("content-security-policy", guard::POLICY),
        ("x-content-type-options", "nosniff"),
        ("x-frame-options", "DENY"),
        ("referrer-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cross-origin-resource-policy", "same-origin"),
        ("cache-control", "no-store"),
        ("permissions-policy", "microphone=(self)"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    answer
}

fn plain(status: StatusCode, words: &'static str) -> Answer {
    made(status, "text/plain; charset=utf-8", words)
}

fn nothing_here() -> Answer {
    plain(StatusCode::NOT_FOUND, "There is nothing here.")
}

fn broken() -> Answer {
    refused(
        "",
        "The program could not finish this; its terminal may say why.",
    )
}

/// What a person can put right, with the field it is about.
fn refused(field: &str, message: &str) -> Answer {
    let message = without_options(message);
    let words = serde_json::json!({ "field": field, "message": message });
    made(
        StatusCode::UNPROCESSABLE_ENTITY,
        "application/json",
        words.to_string(),
    )
}

/// An answer that ends its connection: what else comes on it is not read.
fn closing(mut answer: Answer) -> Answer {
    answer
        .headers_mut()
        .insert("connection", HeaderValue::from_static("close"));
    answer
}

/// The fields of a form, which comes as a JSON object of texts.
fn fields(bytes: &[u8]) -> Option<Fields> {
    serde_json::from_slice(bytes).ok()
}

/// The query of an address.
fn query(uri: &Uri) -> Fields {
    let pairs = uri.query().unwrap_or("").split('&');
    let pairs = pairs.filter_map(|pair| pair.split_once('='));
    pairs.map(|(k, v)| (unescaped(k), unescaped(v))).collect()
}

/// Percent escapes taken out (RFC 3986, 2.1); what is none stays as it is.
fn unescaped(text: &str) -> String {
    let bytes = text.as_bytes();
    let mut out = Vec::with_capacity(bytes.len());
    let mut k = 0;
    while k < bytes.len() {
        let code = text
            .get(k + 1..k + 3)
            .and_then(|hex| u8::from_str_radix(hex, 16).ok());
        match (bytes[k], code) {
            (b'%', Some(byte)) => {
                out.push(byte);
                k += 3;
            }
            (byte, _) => {
                out.push(byte);
                k += 1;
            }
        }
    }
    String::from_utf8_lossy(&out).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn queries_are_read_as_browsers_write_them() {
        let uri: Uri = "/recording?kind=named%3Aa.wav&name=Take%201%20%C3%A4.wav&x&y=%&z=%é"
            .parse()
            .unwrap();
        let query = query(&uri);
        assert_eq!(query["kind"], "named:a.wav");
        assert_eq!(query["name"], "Take 1 ä.wav");
        assert_eq!(query["y"], "%");
        assert_eq!(query.get("x"), None);
    }

    #[test]
    fn the_page_holds_no_script_of_its_own_and_fetches_nothing() {
        for (path, _, text) in ASSETS {
            for never in [
                "://",
                "onclick=",
                "style=\"",
                "<style",
                "eval(",
                "innerHTML",
            ] {
                let found = text.replace("http://www.w3.org/", "").contains(never);
                assert!(!found, "{path}: {never}");
            }
        }
    }
}
