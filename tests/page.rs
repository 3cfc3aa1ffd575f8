//! `groovelag page`: who is let in, and what becomes of recordings that are given to it. The
//! client is a socket, so that it can say what no browser says. All recordings are simulated.

use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};

/// A server that ends with the test.
struct Server {
    child: Child,
    port: u16,
    token: String,
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Server {
    fn start(folder: &Path) -> Self {
        Self::start_with(folder, &[])
    }

    fn start_with(folder: &Path, environment: &[(&str, &str)]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_groovelag"))
            .args(["page", "--no-browser"])
            .arg(folder)
            .envs(environment.iter().copied())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        let out = child.stdout.take().unwrap();
        BufReader::new(out).read_line(&mut line).unwrap();
        let address = line.trim().rsplit_once("http://127.0.0.1:").unwrap().1;
        let (port, token) = address.split_once('/').unwrap();
        let (port, token) = (port.parse().unwrap(), token.to_owned());
        Self { child, port, token }
    }

    /// What comes back to these bytes: status, head, body.
    fn raw(&self, head: &str, body: &[u8]) -> (u16, String, Vec<u8>) {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream.write_all(head.as_bytes()).unwrap();
        // a server that has seen enough need not read on
        let _ = stream.write_all(body);
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        let end = answer.windows(4).position(|w| w == b"\r\n\r\n");
        let Some(end) = end else {
            return (0, String::from_utf8_lossy(&answer).into_owned(), Vec::new());
        };
        let head = String::from_utf8_lossy(&answer[..end]).into_owned();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        (status, head, answer[end + 4..].to_vec())
    }

    fn cookie(&self) -> String {
        format!("groovelag-{}={}", self.port, self.token)
    }

    /// The head of a request as the page's own script sends it.
    fn head(&self, method: &str, path: &str, length: usize) -> String {
        let port = self.port;
        format!(
            "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\nCookie: {}\r\nOrigin: http://127.0.0.1:{port}\r\nContent-Length: {length}\r\n\r\n",
            self.cookie()
        )
    }

    fn ask(&self, method: &str, path: &str, body: &[u8]) -> (u16, Value) {
        let (status, _, body) = self.raw(&self.head(method, path, body.len()), body);
        (status, serde_json::from_slice(&body).unwrap_or(Value::Null))
    }

    fn state(&self) -> Value {
        self.ask("GET", "/state", b"").1
    }

    fn job(&self, changes: &[(&str, &str)]) -> (u16, Value) {
        let usual = [
            ("radius", "70"),
            ("rpm", "33"),
            ("shape", "elliptical"),
            ("sizes", "18 x 8"),
            ("arm", "tangential"),
            ("aligned", "gauge"),
        ];
        let fields: std::collections::BTreeMap<_, _> =
            usual.iter().chain(changes).copied().collect();
        self.ask(
            "POST",
            "/job",
            serde_json::to_string(&fields).unwrap().as_bytes(),
        )
    }

    fn give(&self, kind: &str, file: &Path) -> (u16, Value) {
        let path = format!("/recording?kind={kind}&turn=4&name=Take%201.WAV");
        self.ask("POST", &path, &std::fs::read(file).unwrap())
    }
}

/// Everything in a folder, by name.
fn listing(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut list: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            (name, std::fs::read(&path).unwrap())
        })
        .collect();
    list.sort();
    list
}

/// Recordings of a stylus that is turned by 2.5 degrees, then by -0.3.
fn recordings(folder: &Path) {
    let mut recipe = String::from(
        "format = 1\nseed = 5\nname = \"set\"\n[programme]\nkind = \"pink\"\nduration_s = 8\npeak_cm_s = 6\n[capture]\nradius_mm = 70\nrpm = 33\nlead_in_s = 0.4\nrun_out_s = 0.2\nsample_rate_hz = 48000\nword = \"int24\"\n[cartridge]\nprofile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 8\n[setup]\nrotation_deg = 2.5\n[dirt]\nsnr_db = 40\n",
    );
    for (name, differs) in [
        ("found", ""),
        ("speed", "capture.rpm = 45\n"),
        ("on", "setup.rotation_deg = 6.5\n"),
        ("back", "setup.rotation_deg = -1.5\n"),
        ("after", "setup.rotation_deg = -0.3\n"),
    ] {
        recipe += &format!("[[variation]]\nname = \"{name}\"\n{differs}");
    }
    std::fs::write(folder.join("recipe.toml"), recipe).unwrap();
    let made = Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(folder)
        .args(["simulate", "recipe.toml", "-o", "."])
        .output()
        .unwrap();
    assert!(
        made.status.success(),
        "{}",
        String::from_utf8_lossy(&made.stderr)
    );
}

#[test]
fn nobody_else_is_let_in() {
    let folder = tempfile::tempdir().unwrap();
    let server = Server::start(folder.path());
    assert_eq!(server.job(&[]).0, 200);
    let before = listing(folder.path());
    let port = server.port;
    let (host, origin) = (
        format!("Host: 127.0.0.1:{port}\r\n"),
        format!("Origin: http://127.0.0.1:{port}\r\n"),
    );
    let cookie = format!("Cookie: {}\r\n", server.cookie());
    let post = |path: &str, fields: &str| {
        (
            format!("POST {path} HTTP/1.1\r\n{fields}Connection: close\r\n\r\n"),
            "{\"radius\":\"50\"}",
        )
    };
    let get = |path: &str, fields: &str| {
        (
            format!("GET {path} HTTP/1.1\r\n{fields}Connection: close\r\n\r\n"),
            "",
        )
    };
    let length = "Content-Length: 15\r\n";
    let long = format!("X: {}\r\n", "x".repeat(40_000));
    let many: String = (0..200).map(|k| format!("X-{k}: x\r\n")).collect();
    let other_token = format!("Cookie: groovelag-{port}={}\r\n", "0".repeat(32));
    for (what, status, (head, body)) in [
        ("no token", 404, get("/state", &host)),
        (
            "another token",
            404,
            get("/state", &format!("{host}{other_token}")),
        ),
        (
            "a token that is guessed in the path",
            404,
            get(&format!("/{}", "0".repeat(32)), &host),
        ),
        ("the page itself without a token", 404, get("/", &host)),
        (
            "a rebound name",
            421,
            get("/state", &format!("Host: evil.example:{port}\r\n{cookie}")),
        ),
        (
            "another port",
            421,
            get("/state", &format!("Host: 127.0.0.1:1\r\n{cookie}")),
        ),
        (
            "two names",
            421,
            get("/state", &format!("{host}Host: evil.example\r\n{cookie}")),
        ),
        (
            "a name in the line",
            421,
            get(
                &format!("http://evil.example:{port}/state"),
                &format!("{host}{cookie}"),
            ),
        ),
        (
            "a foreign origin",
            403,
            post(
                "/job",
                &format!("{host}{cookie}{length}Origin: http://evil.example\r\n"),
            ),
        ),
        (
            "another port's origin",
            403,
            post(
                "/job",
                &format!("{host}{cookie}{length}Origin: http://127.0.0.1:1\r\n"),
            ),
        ),
        (
            "no origin",
            403,
            post("/job", &format!("{host}{cookie}{length}")),
        ),
        (
            "origin null",
            403,
            post("/job", &format!("{host}{cookie}{length}Origin: null\r\n")),
        ),
        (
            "two origins",
            403,
            post(
                "/job",
                &format!("{host}{cookie}{length}{origin}Origin: http://evil.example\r\n"),
            ),
        ),
        (
            "no token on a form",
            404,
            post("/end", &format!("{host}{origin}{length}")),
        ),
        (
            "no length",
            411,
            post("/job", &format!("{host}{cookie}{origin}")),
        ),
        (
            "chunks",
            411,
            post(
                "/job",
                &format!("{host}{cookie}{origin}Transfer-Encoding: chunked\r\n"),
            ),
        ),
        (
            "two lengths",
            400,
            post(
                "/job",
                &format!("{host}{cookie}{origin}{length}Content-Length: 3\r\n"),
            ),
        ),
        (
            "a form too long",
            413,
            post(
                "/job",
                &format!("{host}{cookie}{origin}Content-Length: 99999999\r\n"),
            ),
        ),
        (
            "a recording too long",
            422,
            post(
                "/recording?kind=found&name=a.wav",
                &format!("{host}{cookie}{origin}Content-Length: 9999999999\r\n"),
            ),
        ),
        (
            "no such method",
            405,
            (
                format!("DELETE /state HTTP/1.1\r\n{host}{cookie}Connection: close\r\n\r\n"),
                "",
            ),
        ),
        (
            "a path upwards",
            404,
            get("/../job.toml", &format!("{host}{cookie}")),
        ),
        (
            "a file of the folder",
            404,
            get("/job.toml", &format!("{host}{cookie}")),
        ),
        (
            "a long head",
            431,
            get("/state", &format!("{host}{cookie}{long}")),
        ),
        (
            "many fields",
            431,
            get("/state", &format!("{host}{cookie}{many}")),
        ),
        (
            "no form",
            400,
            (
                format!(
                    "POST /job HTTP/1.1\r\n{host}{cookie}{origin}Content-Length: 3\r\nConnection: close\r\n\r\n"
                ),
                "xyz",
            ),
        ),
    ] {
        let (got, answer, body) = server.raw(&head, body.as_bytes());
        let body = String::from_utf8_lossy(&body);
        assert_eq!(got, status, "{what}: {answer}\n{body}");
        assert!(!body.contains(&server.token), "{what}");
        assert!(
            !answer.to_lowercase().contains("access-control-allow"),
            "{what}"
        );
    }
    assert_eq!(listing(folder.path()), before, "nothing has changed");

    // the one who has the address comes in, and brings the token no further
    let (status, head, _) = server.raw(&get(&format!("/{}", server.token), &host).0, b"");
    assert_eq!(status, 303, "{head}");
    let lower = head.to_lowercase();
    assert!(
        lower.contains("httponly") && lower.contains("samesite=strict"),
        "{head}"
    );
    assert!(lower.contains("\r\nlocation: /\r\n"), "{head}");
    let (status, head, page) = server.raw(&server.head("GET", "/", 0), b"");
    assert_eq!(status, 200);
    for field in [
        "default-src 'none'",
        "frame-ancestors 'none'",
        "nosniff",
        "no-store",
    ] {
        assert!(head.contains(field), "{field}: {head}");
    }
    assert!(!String::from_utf8(page).unwrap().contains(&server.token));
}

#[test]
fn a_job_by_the_page_is_a_job_by_hand() {
    let made = tempfile::tempdir().unwrap();
    recordings(made.path());
    let source = |name: &str| made.path().join(format!("set-{name}.wav"));
    let home = tempfile::tempdir().unwrap();
    let folder = home.path().join("mine");
    let server = Server::start(&folder);
    assert!(server.state()["answer"].is_null());

    // what is wrong is said at its field, and nothing is written
    let (status, wrong) = server.job(&[("radius", "72,5")]);
    assert_eq!(
        (status, wrong["field"].as_str()),
        (422, Some("radius")),
        "{wrong}"
    );
    assert!(server.give("found", &source("found")).0 == 422 && listing(&folder).is_empty());
    let (status, view) = server.job(&[]);
    assert_eq!(status, 200, "{view}");
    assert_eq!(view["asked"]["radius"], "70");

    // what is no recording leaves no trace, and neither does half of one
    let before = listing(&folder);
    let (status, wrong) = server.ask("POST", "/recording?kind=found&name=a.wav", b"no recording");
    assert_eq!(status, 422, "{wrong}");
    let (status, wrong) = server.give("speed", &source("speed"));
    assert_eq!(status, 422, "only the first one comes first: {wrong}");
    let half = &std::fs::read(source("found")).unwrap()[..100_000];
    let head = server.head("POST", "/recording?kind=found&name=a.wav", 2 * half.len());
    let mut stream = TcpStream::connect(("127.0.0.1", server.port)).unwrap();
    stream.write_all(head.as_bytes()).unwrap();
    stream.write_all(half).unwrap();
    drop(stream);
    // the answer to a later request is made after that connection was looked at
    let gone = (0..200).any(|_| {
        std::thread::sleep(std::time::Duration::from_millis(20));
        listing(&folder) == before
    });
    assert!(
        gone,
        "{:?}",
        listing(&folder).iter().map(|f| &f.0).collect::<Vec<_>>()
    );

    let found = std::fs::read(source("found")).unwrap();
    let (status, view) = server.give("found", &source("found"));
    assert_eq!(status, 200, "{view}");
    assert_eq!(std::fs::read(folder.join("found.wav")).unwrap(), found);
    assert_eq!(
        view["answer"]["way"], "clockwise, seen from above",
        "{view}"
    );
    for (kind, name) in [
        ("speed", "speed"),
        ("turned-on", "on"),
        ("turned-back", "back"),
    ] {
        let (status, view) = server.give(kind, &source(name));
        assert_eq!(status, 200, "{view}");
    }
    let view = server.state();
    println!("{view:#}");
    assert_eq!(view["recordings"].as_array().unwrap().len(), 4);
    assert!(
        view["order"]["turn"]["way"] == "anticlockwise",
        "{}",
        view["order"]
    );
    // once a turn is due, its recording comes first
    assert_eq!(view["next"][0]["kind"], "after");
    // nobody here types a command
    let said = view["order"].to_string();
    assert!(
        !said.contains("groovelag") && !said.contains("--"),
        "{said}"
    );
    let (status, view) = server.give("after", &source("after"));
    assert_eq!(status, 200, "{view}");
    assert_eq!(view["change"]["states"][1][0], "After the turn", "{view}");

    // the same as by hand, now and after a new start
    let by_hand = Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .args(["solve", "--json"])
        .arg(folder.join("job.toml"))
        .output()
        .unwrap();
    let by_hand: Value = serde_json::from_slice(&by_hand.stdout).unwrap();
    let kept = std::fs::read(folder.join("solution.json")).unwrap();
    assert_eq!(serde_json::from_slice::<Value>(&kept).unwrap(), by_hand);
    let (status, _, evidence) = server.raw(&server.head("GET", "/evidence", 0), b"");
    assert_eq!(status, 200);
    assert_eq!(
        evidence,
        std::fs::read(folder.join("evidence.html")).unwrap()
    );
    let before = listing(&folder);
    let view = server.state();
    drop(server);
    let server = Server::start(&folder);
    assert_eq!(server.state(), view);
    assert_eq!(listing(&folder), before);

    // a recording is never written over, and what is left out stays in the folder
    let (status, _) = server.ask("POST", "/leave-out", b"{\"file\":\"found.wav\"}");
    assert_eq!(status, 200);
    let (status, view) = server.give("found", &source("found"));
    assert_eq!(status, 200, "{view}");
    let names: Vec<_> = listing(&folder).into_iter().map(|f| f.0).collect();
    assert!(
        names.contains(&"found.wav".to_owned()) && names.contains(&"found-no2.wav".to_owned()),
        "{names:?}"
    );

    // put away, it lies whole in a folder of its own, and the page begins anew
    let (before, view) = (listing(&folder), server.state());
    let (status, begun) = server.ask("POST", "/put-away", b"{}");
    assert_eq!(status, 200, "{begun}");
    assert!(begun["answer"].is_null() && begun["asked"]["radius"] == "");
    let entries = std::fs::read_dir(&folder).unwrap();
    let names: Vec<_> = entries.map(|e| e.unwrap().file_name()).collect();
    assert_eq!(names, ["earlier-1"]);
    let folder = folder.join("earlier-1");
    assert_eq!(listing(&folder), before);
    let server = Server::start(&folder);
    assert_eq!(server.state()["answer"], view["answer"]);

    // a job that somebody has worked on is left as it is
    let job = folder.join("job.toml");
    let changed = std::fs::read_to_string(&job).unwrap() + "# my own remark\n";
    std::fs::write(&job, &changed).unwrap();
    let view = server.state();
    assert!(
        view["asked"].is_null() && !view["answer"].is_null(),
        "{view}"
    );
    assert_eq!(server.job(&[("radius", "60")]).0, 422);
    assert_eq!(
        server.ask("POST", "/leave-out", b"{\"file\":\"on.wav\"}").0,
        422
    );
    assert_eq!(server.ask("POST", "/put-away", b"{}").0, 422);
    assert_eq!(std::fs::read_to_string(&job).unwrap(), changed);

    // its own button ends it, with status 0
    let mut server = server;
    let (status, ..) = server.raw(&server.head("POST", "/end", 2), b"{}");
    assert_eq!(status, 200);
    assert_eq!(server.child.wait().unwrap().code(), Some(0));
}

#[test]
#[cfg(unix)]
fn a_kill_while_a_recording_comes_costs_nothing_that_was_there() {
    let folder = tempfile::tempdir().unwrap();
    let mut server = Server::start(folder.path());
    assert_eq!(server.job(&[]).0, 200);
    let before = listing(folder.path());
    let mut stream = TcpStream::connect(("127.0.0.1", server.port)).unwrap();
    let head = server.head("POST", "/recording?kind=found&name=a.wav", 1_000_000);
    stream.write_all(head.as_bytes()).unwrap();
    stream.write_all(&[7; 300_000]).unwrap();
    let comes = (0..200).any(|_| {
        std::thread::sleep(std::time::Duration::from_millis(20));
        listing(folder.path()).len() > before.len()
    });
    assert!(comes, "the recording is on the disk while it comes");
    server.child.kill().unwrap();
    server.child.wait().unwrap();
    // a new start takes away what lies half-written, and nothing else
    let server = Server::start(folder.path());
    assert_eq!(listing(folder.path()), before);
    assert_eq!(server.state()["next"][0]["kind"], "found");
}

/// A recording's samples as the browser sends them.
fn pieces(file: &Path) -> (u32, Vec<u8>) {
    let mut reader = hound::WavReader::open(file).unwrap();
    let samples = reader
        .samples::<i32>()
        .map(|s| s.unwrap() as f32 / 8_388_608.0);
    let bytes = samples.flat_map(f32::to_le_bytes).collect();
    (reader.spec().sample_rate, bytes)
}

impl Server {
    fn listen(&self, kind: &str, changes: &[(&str, &str)]) -> (u16, Value) {
        let usual = [
            ("kind", kind),
            ("turn", ""),
            ("rate", "48000"),
            ("channels", "2"),
            ("processing", ""),
            ("source", "Line"),
        ];
        let fields: std::collections::BTreeMap<_, _> =
            usual.iter().chain(changes).copied().collect();
        let body = serde_json::to_string(&fields).unwrap();
        self.ask("POST", "/listen", body.as_bytes())
    }

    fn send(&self, first: usize, bytes: &[u8]) -> (u16, Value) {
        self.ask("POST", &format!("/samples?first={first}&lost=0"), bytes)
    }

    fn hold(&self, keep: &str) -> (u16, Value) {
        let body = format!("{{\"keep\":\"{keep}\"}}");
        self.ask("POST", "/listened", body.as_bytes())
    }
}

#[test]
fn what_is_listened_to_becomes_a_capture() {
    let folder = tempfile::tempdir().unwrap();
    recordings(folder.path());
    let job = folder.path().join("job");
    let server = Server::start(&job);
    // first what is played
    assert_eq!(server.listen("found", &[]).0, 422);
    assert_eq!(server.job(&[]).0, 200);
    let message = |answer: &(u16, Value)| {
        assert_eq!(answer.0, 422, "{answer:?}");
        answer.1["message"].as_str().unwrap().to_owned()
    };
    // what changes the offset is refused by name, and leaves nothing
    for (changes, says) in [
        (("processing", "echo cancellation"), "(echo cancellation)"),
        (("channels", "1"), "one channel"),
        (("rate", ""), "sample rate"),
        (("rate", "2000"), "2000"),
        (("kind", "speed"), "next"),
        (("input", "hw:9,9"), "input is gone"),
    ] {
        let refused = message(&server.listen("found", &[changes]));
        assert!(refused.contains(says), "{refused}");
        assert_eq!(listing(&job).len(), 1, "{changes:?}");
    }
    assert!(message(&server.send(0, &[0; 80])).contains("No recording"));
    assert!(message(&server.hold("yes")).contains("No recording"));

    let (rate, bytes) = pieces(&folder.path().join("set-found.wav"));
    assert_eq!(rate, 48000);
    let (status, live) = server.listen("found", &[]);
    assert_eq!((status, &live["file"]), (200, &Value::from("found.wav")));
    // one at a time, and every piece in its place
    assert!(message(&server.listen("found", &[])).contains("already"));
    let piece = 8 * 12_000;
    let (_, live) = server.send(0, &bytes[..piece]);
    assert!(
        live["levels"][0]["words"]
            .as_str()
            .unwrap()
            .starts_with("Left"),
        "{live}"
    );
    assert!(message(&server.send(0, &bytes[..piece])).contains("does not belong"));
    assert!(message(&server.send(12_000, &bytes[piece..piece + 7])).contains("not whole"));
    let mut first = 12_000;
    let mut last = Value::Null;
    for part in bytes[piece..].chunks(piece) {
        // another window sees it
        last = server.send(first, part).1;
        first += part.len() / 8;
    }
    assert_eq!(server.state()["live"]["file"], "found.wav");
    let shown = last["answer"]["figure"]
        .as_str()
        .unwrap()
        .parse::<f64>()
        .unwrap();
    assert!((shown - 2.5).abs() < 1.0, "{last}");
    let (status, view) = server.hold("yes");
    assert_eq!((status, &view["live"]), (200, &Value::Null), "{view}");
    assert_eq!(view["recordings"][0]["file"], "found.wav");
    // the same samples as were sent, so the same result as by dropping the file
    let mut saved = hound::WavReader::open(job.join("found.wav")).unwrap();
    let samples: Vec<u8> = saved
        .samples::<f32>()
        .flat_map(|s| s.unwrap().to_le_bytes())
        .collect();
    assert!(samples == bytes);
    let solved = Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .args(["solve", "--json"])
        .arg(job.join("job.toml"))
        .output()
        .unwrap();
    let text = |bytes: &[u8]| serde_json::from_slice::<Value>(bytes).unwrap();
    let kept = std::fs::read(job.join("solution.json")).unwrap();
    assert_eq!(text(&solved.stdout), text(&kept));

    // discarded, it is gone; ended by the program, it stays
    let before = listing(&job);
    server.listen("speed", &[]);
    server.send(0, &bytes[..piece]);
    assert_eq!(server.hold("no").0, 200);
    assert_eq!(listing(&job), before);
    // too short to be used: said, and the file stays
    server.listen("speed", &[]);
    server.send(0, &bytes[..piece]);
    let said = message(&server.hold("yes"));
    assert!(
        said.starts_with("found-other-speed.wav: ") && said.contains(". The recording lies"),
        "{said}"
    );
    assert!(job.join("found-other-speed.wav").is_file());
    // both channels the same, as browsers make them
    let same: Vec<u8> = bytes
        .chunks(8)
        .flat_map(|f| [&f[..4], &f[..4]].concat())
        .collect();
    server.listen("again", &[]);
    let (_, live) = server.send(0, &same[8 * 24_000..8 * 100_000]);
    assert!(
        live["ended"] == true && live["order"].as_str().unwrap().contains("The browser"),
        "{live}"
    );
    assert_eq!(server.hold("no").0, 200);
    // noise of the input alone, 90 dB down, is no programme
    server.listen("again", &[]);
    let quiet = |bytes: &[u8]| (f32::from_le_bytes(bytes.try_into().unwrap()) * 3e-5).to_le_bytes();
    let quiet: Vec<u8> = bytes[8 * 24_000..8 * 216_000]
        .chunks(4)
        .flat_map(quiet)
        .collect();
    let mut first = 0;
    for part in quiet.chunks(piece) {
        let (_, live) = server.send(first, part);
        first += part.len() / 8;
        let steps = first / 24_000;
        assert!(
            steps == 0 || live["order"] == "Lower the needle.",
            "{steps}: {live}"
        );
        assert_eq!(live["heard"], "no programme yet");
    }
    assert_eq!(server.hold("no").0, 200);
    // the input has gone
    server.listen("again", &[]);
    let (_, live) = server.send(0, b"");
    assert!(
        live["order"].as_str().unwrap().contains("has gone"),
        "{live}"
    );
}

/// A false `arecord`, which plays a file: what the page records through it is that file. It tells of its overrun
/// before, since it is ended with the last sample.
#[cfg(unix)]
#[test]
fn the_systems_recorder_is_heard() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    recordings(folder.path());
    let false_recorder = folder.path().join("arecord");
    let played = folder.path().join("set-found.wav");
    let script = format!(
        "#!/bin/sh\nif [ \"$1\" = -l ]; then echo 'card 2: CODEC [Invented input], device 1: USB [USB]'; exit; fi\ncase \"$*\" in *'-D hw:2,1 -c 2 -f S24_3LE -r 48000 -t wav') echo 'overrun!!! (at least 250.000 ms long)' >&2; cat '{}'; exec sleep 60;; esac\necho 'no such form' >&2; exit 1\n",
        played.display()
    );
    std::fs::write(&false_recorder, script).unwrap();
    std::fs::set_permissions(&false_recorder, PermissionsExt::from_mode(0o755)).unwrap();
    let job = folder.path().join("job");
    let path = format!(
        "{}:{}",
        folder.path().display(),
        std::env::var("PATH").unwrap()
    );
    let server = Server::start_with(&job, &[("PATH", &path)]);
    server.job(&[]);
    let inputs = server.ask("GET", "/inputs", b"").1;
    assert_eq!(
        inputs,
        serde_json::json!([{ "id": "hw:2,1", "name": "Invented input, direct" }])
    );
    let (status, live) = server.listen("found", &[("input", "hw:2,1")]);
    assert_eq!(
        (status, &live["source"]),
        (200, &Value::from("Invented input, direct")),
        "{live}"
    );
    let length = std::fs::metadata(&played).unwrap().len();
    let (_, bytes) = pieces(&played);
    let all = || std::fs::metadata(job.join("found.wav")).is_ok_and(|m| m.len() + 1000 > length);
    for _ in 0..600 {
        if all() {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    let told = || server.state()["live"]["source"].to_string();
    let told = (0..200).any(|_| {
        std::thread::sleep(std::time::Duration::from_millis(50));
        told().contains("0.25 s of it were lost")
    });
    assert!(told);
    let (status, view) = server.hold("yes");
    assert_eq!(status, 200, "{view}");
    assert_eq!(view["recordings"][0]["file"], "found.wav");
    let (_, saved) = pieces(&job.join("found.wav"));
    assert!(
        !saved.is_empty() && bytes.starts_with(&saved) && bytes.len() - saved.len() < 8 * 48_000
    );
}

/// From a desktop, where nobody reads what is printed, the page opens; elsewhere help does.
#[cfg(target_os = "linux")]
#[test]
fn a_double_click_opens_the_page() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let opener = folder.path().join("xdg-open");
    std::fs::write(&opener, "#!/bin/sh\necho \"$1\" > \"$HOME/opened\"\n").unwrap();
    std::fs::set_permissions(&opener, PermissionsExt::from_mode(0o755)).unwrap();
    let path = format!(
        "{}:{}",
        folder.path().display(),
        std::env::var("PATH").unwrap()
    );
    let program = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_groovelag"));
        command
            .stdin(Stdio::null())
            .stderr(Stdio::null())
            .env("HOME", folder.path())
            .env("PATH", &path)
            .env_remove("WAYLAND_DISPLAY")
            .env("DISPLAY", ":0");
        command
    };
    // somebody waits for what is printed, or there is no screen
    assert_eq!(program().output().unwrap().status.code(), Some(2));
    let mut dark = program();
    dark.env_remove("DISPLAY").stdout(Stdio::null());
    assert_eq!(dark.status().unwrap().code(), Some(2));
    let child = program().stdout(Stdio::null()).spawn().unwrap();
    let opened = folder.path().join("opened");
    let address = (0..400).find_map(|_| {
        std::thread::sleep(std::time::Duration::from_millis(25));
        let text = std::fs::read_to_string(&opened).ok()?;
        text.ends_with('\n').then_some(text)
    });
    let address = address.expect("no browser was opened");
    let address = address.trim().rsplit_once("http://127.0.0.1:").unwrap().1;
    let (port, token) = address.split_once('/').unwrap();
    let mut server = Server {
        child,
        port: port.parse().unwrap(),
        token: token.to_owned(),
    };
    let home = folder.path().join("stylus");
    assert_eq!(server.state()["folder"], home.to_str().unwrap());
    assert!(home.is_dir());
    server.ask("POST", "/end", b"{}");
    assert!(server.child.wait().unwrap().success());
}
