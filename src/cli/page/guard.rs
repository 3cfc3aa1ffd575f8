//! Who is let in. The page is for one browser on this machine: another page in that browser,
//! another program and another machine are turned away before anything is read or written.

use hyper::header::{CONTENT_LENGTH, COOKIE, HOST, HeaderName, ORIGIN, TRANSFER_ENCODING};
use hyper::http::request::Parts;
use hyper::{HeaderMap, Method, StatusCode};

/// Largest body of a form, bytes: its fields hold some hundred (common practice, no source).
pub const LARGEST_FORM: u64 = 16 << 10;

/// Largest recording, bytes: what the length fields of a WAV file can say (RIFF, 32 bits).
pub const LARGEST_RECORDING: u64 = u32::MAX as u64;

/// What the browser may do with the page: nothing from elsewhere, no frames, no script that
/// is not the program's own (Content Security Policy, level 3).
pub const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'";

/// The same for the page of evidence, whose style stands in it and which has no script.
pub const EVIDENCE_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// Why somebody is not let in: the status, and words for whoever reads it.
pub type Refusal = (StatusCode, &'static str);

/// The door of one server.
#[derive(Debug, Clone)]
pub struct Door {
    /// Where it listens.
    pub port: u16,
    /// What only the one who was given the address knows.
    pub token: String,
}

impl Door {
    /// A door with a new token: 128 bits of the system's entropy, more than anybody tries.
    ///
    /// # Errors
    ///
    /// When the system has none.
    pub fn new(port: u16) -> Result<Self, String> {
        let mut bytes = [0; 16];
        getrandom::fill(&mut bytes).map_err(|e| {
            format!(
                "the system gives no random numbers ({e}), without which the page cannot be guarded"
            )
        })?;
        let token = groovelag::units::hexadecimal(&bytes);
        Ok(Self { port, token })
    }

    /// The address to open.
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/{}", self.port, self.token)
    }

    /// The name of the cookie: ports of one machine share their cookies (RFC 6265, 8.5).
    fn cookie_name(&self) -> String {
        format!("groovelag-{}", self.port)
    }

    /// What the browser keeps once it has opened the address. No script reads it, and no other
    /// site makes the browser send it.
    pub fn cookie(&self) -> String {
        format!(
            "{}={}; Path=/; HttpOnly; SameSite=Strict",
            self.cookie_name(),
            self.token
        )
    }

    /// Whether the path is the address that was given.
    pub fn is_entrance(&self, path: &str) -> bool {
        path.strip_prefix('/')
            .is_some_and(|token| same(token, &self.token))
    }

    /// Why a request is refused, if it is.
    pub fn refuses(&self, head: &Parts) -> Option<Refusal> {
        const REBOUND: Refusal = (
            StatusCode::MISDIRECTED_REQUEST,
            "This page answers to the address that groovelag printed, and to no other name.",
        );
        const FOREIGN: Refusal = (
            StatusCode::FORBIDDEN,
            "This request does not come from the page itself.",
        );
        let headers = &head.headers;
        // a name that somebody has let point here is refused (DNS rebinding)
        let hosts = ["127.0.0.1", "localhost"].map(|name| format!("{name}:{}", self.port));
        let Some(host) = only(headers, HOST).filter(|host| hosts.iter().any(|h| h == host)) else {
            return Some(REBOUND);
        };
        if head.uri.authority().is_some_and(|a| a.as_str() != host) {
            return Some(REBOUND);
        }
        if ![Method::GET, Method::HEAD, Method::POST].contains(&head.method) {
            return Some((StatusCode::METHOD_NOT_ALLOWED, "The page does not do this."));
        }
        let entrance = head.method == Method::GET && self.is_entrance(head.uri.path());
        if !entrance && !self.has_cookie(headers) {
            return Some((
                StatusCode::NOT_FOUND,
                "There is nothing here. Open the address that groovelag printed in its terminal; a new start has a new one.",
            ));
        }
        if head.method == Method::POST {
            if only(headers, ORIGIN) != Some(&format!("http://{host}")) {
                return Some(FOREIGN);
            }
            let length = only(headers, CONTENT_LENGTH).and_then(|l| l.parse::<u64>().ok());
            if headers.contains_key(TRANSFER_ENCODING) || length.is_none() {
                return Some((
                    StatusCode::LENGTH_REQUIRED,
                    "The length has to be said beforehand.",
                ));
            }
        }
        None
    }

    fn has_cookie(&self, headers: &HeaderMap) -> bool {
        let name = self.cookie_name();
        let lines = headers
            .get_all(COOKIE)
            .iter()
            .filter_map(|v| v.to_str().ok());
        lines
            .flat_map(|line| line.split(';'))
            .filter_map(|pair| pair.trim().split_once('='))
            .any(|(key, value)| key == name && same(value, &self.token))
    }
}

/// The length that a request promises; [`Door::refuses`] has seen that it does.
pub fn promised(headers: &HeaderMap) -> u64 {
    let length = only(headers, CONTENT_LENGTH).and_then(|l| l.parse().ok());
    length.unwrap_or(0)
}

/// A field that stands there once, and only once.
fn only(headers: &HeaderMap, name: HeaderName) -> Option<&str> {
    let mut all = headers.get_all(name).iter();
    let first = all.next()?.to_str().ok()?;
    all.next().is_none().then_some(first)
}

/// Whether two texts are equal, in a time that does not tell where they differ.
fn same(a: &str, b: &str) -> bool {
    let differ = a.bytes().zip(b.bytes()).fold(0, |d, (x, y)| d | (x ^ y));
    a.len() == b.len() && differ == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_new_each_time_and_compared_as_a_whole() {
        let (a, b) = (Door::new(80).unwrap(), Door::new(80).unwrap());
        assert_ne!(a.token, b.token);
        assert_eq!(a.token.len(), 32);
        assert!(a.is_entrance(&format!("/{}", a.token)));
        for path in [
            "/",
            "",
            &a.token,
            &format!("/{}x", a.token),
            &format!("/{}", b.token),
        ] {
            assert!(!a.is_entrance(path), "{path}");
        }
    }
}
