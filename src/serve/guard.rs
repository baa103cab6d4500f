//! Is a request one of our own page's?
//!
//! Only this machine can connect, but any web page open in its browser can send requests there. So a request must name
//! our own address as its host (a foreign name that points to 127.0.0.1 does not), carry the link's secret as the first
//! part of its path, and, where it changes something, come from our own page.

use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};

use crate::error::{Error, Result};

/// Bytes of the secret: 128 bits cannot be guessed.
const SECRET_BYTES: usize = 16;

/// A new secret for a link, hexadecimal.
///
/// # Errors
/// The system has no random numbers to give.
pub fn secret() -> Result<String> {
    let mut bytes = [0u8; SECRET_BYTES];
    getrandom::fill(&mut bytes).map_err(|e| Error::no_answer(format!("the system gives no random numbers: {e}")))?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}

/// Whether two texts are the same, in a time that does not tell how much of them is.
fn same(a: &str, b: &str) -> bool {
    a.len() == b.len() && a.bytes().zip(b.bytes()).fold(0, |d, (x, y)| d | (x ^ y)) == 0
}

/// The part of the path behind the secret, for a request that is ours.
///
/// # Errors
/// The status to answer with.
pub fn admit<'p>(
    method: &Method,
    path: &'p str,
    headers: &HeaderMap,
    port: u16,
    secret: &str,
) -> std::result::Result<&'p str, StatusCode> {
    let own = [format!("127.0.0.1:{port}"), format!("localhost:{port}")];
    let text = |name| headers.get(name).and_then(|v| v.to_str().ok());
    let hosts = headers.get_all(header::HOST).iter().count();
    if hosts != 1 || !text(header::HOST).is_some_and(|h| own.iter().any(|o| o.eq_ignore_ascii_case(h))) {
        return Err(StatusCode::MISDIRECTED_REQUEST);
    }
    let rest = path.strip_prefix('/').unwrap_or(path);
    let (given, inside) = rest.split_once('/').unwrap_or((rest, ""));
    if !same(given, secret) {
        return Err(StatusCode::FORBIDDEN);
    }
    if *method != Method::GET {
        if *method != Method::POST {
            return Err(StatusCode::METHOD_NOT_ALLOWED);
        }
        // One that is no text, or a second one, is as foreign as any.
        let ours = |o: &HeaderValue| {
            o.to_str().ok().and_then(|o| o.strip_prefix("http://")).is_some_and(|o| own.iter().any(|w| w == o))
        };
        let mut origins = headers.get_all(header::ORIGIN).iter();
        if origins.next().is_some_and(|first| !ours(first)) || origins.next().is_some() {
            return Err(StatusCode::FORBIDDEN);
        }
        // A form of a foreign page cannot send JSON without asking first.
        if text(header::CONTENT_TYPE) != Some("application/json") {
            return Err(StatusCode::UNSUPPORTED_MEDIA_TYPE);
        }
    }
    Ok(inside)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ask(method: Method, path: &str, host: &str, more: &[(&'static str, &str)]) -> std::result::Result<String, u16> {
        let mut headers = HeaderMap::new();
        headers.insert(header::HOST, host.parse().unwrap());
        for (name, value) in more {
            headers.append(*name, HeaderValue::from_bytes(value.as_bytes()).unwrap());
        }
        admit(&method, path, &headers, 4321, "abc123").map(str::to_string).map_err(|s| s.as_u16())
    }

    #[test]
    fn only_our_own_page_is_let_in() {
        let here = "127.0.0.1:4321";
        assert_eq!(ask(Method::GET, "/abc123/state", here, &[]), Ok("state".into()));
        assert_eq!(ask(Method::GET, "/abc123/", "localhost:4321", &[]), Ok(String::new()));
        for host in ["evil.example", "evil.example:4321", "127.0.0.1", "127.0.0.1:80", "127.0.0.1:4321.evil.example"] {
            assert_eq!(ask(Method::GET, "/abc123/state", host, &[]), Err(421), "{host}");
        }
        for path in
            ["/", "/state", "/abc124/state", "/abc12/state", "/abc1233/state", "/ABC123/state", "//abc123/state"]
        {
            assert_eq!(ask(Method::GET, path, here, &[]), Err(403), "{path}");
        }
        let json = ("content-type", "application/json");
        assert!(ask(Method::POST, "/abc123/edit", here, &[json]).is_ok());
        assert!(ask(Method::POST, "/abc123/edit", here, &[json, ("origin", "http://127.0.0.1:4321")]).is_ok());
        assert_eq!(ask(Method::POST, "/abc123/edit", here, &[json, ("origin", "http://evil.example")]), Err(403));
        assert_eq!(ask(Method::POST, "/abc123/edit", here, &[json, ("origin", "null")]), Err(403));
        let own = ("origin", "http://127.0.0.1:4321");
        assert_eq!(ask(Method::POST, "/abc123/edit", here, &[json, own, ("origin", "http://evil.example")]), Err(403));
        assert_eq!(ask(Method::POST, "/abc123/edit", here, &[json, ("origin", "h\u{e4}")]), Err(403));
        assert_eq!(ask(Method::POST, "/abc123/edit", here, &[("content-type", "text/plain")]), Err(415));
        assert_eq!(ask(Method::DELETE, "/abc123/edit", here, &[json]), Err(405));
    }

    #[test]
    fn secrets_differ() {
        let (a, b) = (secret().unwrap(), secret().unwrap());
        assert!(a.len() == 32 && a != b && a.bytes().all(|c| c.is_ascii_hexdigit()));
    }
}
