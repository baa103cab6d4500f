//! How are requests taken, checked, answered, and how does the server end?

use std::net::{Ipv4Addr, TcpListener};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderValue, Method, Response, StatusCode, header};
use tokio::sync::watch;

use super::guard;
use crate::error::{Error, Result};

/// How long requests at hand may take once the server is told to end.
const LAST_ANSWERS: Duration = Duration::from_secs(3);
/// Largest request body, bytes: a step takes a hundred.
const LARGEST_BODY: usize = 64 * 1024;
/// What a page may load: its own script, style and pictures, and nothing from anywhere else.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; \
                      frame-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
/// The report within the page: no scripts; its styles and pictures stand in it.
const REPORT_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; \
                             frame-ancestors 'self'";

/// An answer to a request.
#[derive(Clone, Debug)]
pub struct Answer {
    /// Status code.
    pub status: StatusCode,
    /// Media type.
    pub kind: &'static str,
    /// Content.
    pub body: Vec<u8>,
    /// Whether it is the report, which brings its own styles.
    pub report: bool,
}

impl Answer {
    /// Content that changes.
    pub fn of(kind: &'static str, body: impl Into<Vec<u8>>) -> Self {
        Self { status: StatusCode::OK, kind, body: body.into(), report: false }
    }

    /// A sentence with a status.
    pub fn sentence(status: StatusCode, text: impl Into<String>) -> Self {
        Self { status, ..Self::of("text/plain; charset=utf-8", text.into()) }
    }

    /// There is nothing at that place.
    pub fn nothing() -> Self {
        Self::sentence(StatusCode::NOT_FOUND, "there is nothing here")
    }

    fn respond(self) -> Response<Body> {
        let mut r = Response::new(Body::from(self.body));
        *r.status_mut() = self.status;
        let h = r.headers_mut();
        let policy = if self.report { REPORT_POLICY } else { POLICY };
        for (name, value) in [
            (header::CONTENT_TYPE, self.kind),
            (header::CONTENT_SECURITY_POLICY, policy),
            (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
            (header::REFERRER_POLICY, "no-referrer"),
            (header::CACHE_CONTROL, "no-store"),
        ] {
            h.insert(name, HeaderValue::from_static(value));
        }
        h.insert("cross-origin-resource-policy", HeaderValue::from_static("same-origin"));
        r
    }
}

/// What answers the requests that were let in.
pub trait Site: Send + Sync + 'static {
    /// Answers one; `inside` is the path behind the link's secret.
    fn answer(&self, method: &Method, inside: &str, body: &[u8]) -> Answer;
}

/// Ends a server, from anywhere.
#[derive(Clone, Debug)]
pub struct Stop(watch::Sender<bool>);

impl Default for Stop {
    fn default() -> Self {
        Self(watch::Sender::new(false))
    }
}

impl Stop {
    /// Ends the server once the requests at hand are answered.
    pub fn stop(&self) {
        self.0.send_replace(true);
    }

    /// Whether it was told to end.
    pub fn is_stopped(&self) -> bool {
        *self.0.borrow()
    }

    async fn wait(&self) {
        let mut seen = self.0.subscribe();
        // The sender lives as long as this does.
        let _ = seen.wait_for(|s| *s).await;
    }
}

/// A server at work.
pub struct Link {
    /// The address to open, secret included.
    pub url: String,
    thread: JoinHandle<Result<()>>,
}

struct Served {
    site: Arc<dyn Site>,
    port: u16,
    secret: String,
}

impl Link {
    /// Starts serving on 127.0.0.1, on a port that the system chooses, until `stop` or Ctrl-C (which sets `stop`).
    ///
    /// # Errors
    /// No port can be had.
    pub fn start(site: Arc<dyn Site>, stop: Stop) -> Result<Self> {
        let fail = |e: std::io::Error| Error::no_answer(format!("cannot serve a page on 127.0.0.1: {e}"));
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).map_err(fail)?;
        listener.set_nonblocking(true).map_err(fail)?;
        let port = listener.local_addr().map_err(fail)?.port();
        let secret = guard::secret()?;
        let url = format!("http://127.0.0.1:{port}/{secret}/");
        let served = Arc::new(Served { site, port, secret });
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(fail)?;
        let thread = std::thread::Builder::new().spawn(move || {
            runtime.block_on(async move {
                let listener = tokio::net::TcpListener::from_std(listener).map_err(fail)?;
                let app = Router::new().fallback(handle).with_state(served);
                let interrupted = stop.clone();
                tokio::spawn(async move {
                    if tokio::signal::ctrl_c().await.is_ok() {
                        interrupted.stop();
                    }
                });
                let ending = stop.clone();
                let served = axum::serve(listener, app).with_graceful_shutdown(async move { stop.wait().await });
                tokio::select! {
                    ended = async { served.await } => ended.map_err(fail),
                    // A browser that has gone to sleep in the middle of a request must not keep the results waiting.
                    () = async { ending.wait().await; tokio::time::sleep(LAST_ANSWERS).await } => Ok(()),
                }
            })
        });
        Ok(Self { url, thread: thread.map_err(fail)? })
    }

    /// Waits until the server has ended.
    ///
    /// # Errors
    /// It failed.
    pub fn wait(self) -> Result<()> {
        self.thread.join().unwrap_or_else(|_| Err(Error::no_answer("the server ended by itself")))
    }
}

async fn handle(State(served): State<Arc<Served>>, request: Request) -> Response<Body> {
    let (head, body) = request.into_parts();
    let inside = match guard::admit(&head.method, head.uri.path(), &head.headers, served.port, &served.secret) {
        Ok(inside) => inside.to_string(),
        Err(status) => {
            return Answer::sentence(status, "this is not for you: open the link that pockmark printed").respond();
        }
    };
    let Ok(body) = to_bytes(body, LARGEST_BODY).await else {
        return Answer::sentence(StatusCode::PAYLOAD_TOO_LARGE, "the request is too large").respond();
    };
    let work = tokio::task::spawn_blocking(move || served.site.answer(&head.method, &inside, &body));
    match work.await {
        Ok(answer) => answer.respond(),
        Err(_) => Answer::sentence(StatusCode::INTERNAL_SERVER_ERROR, "this went wrong inside the program").respond(),
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;
    use std::net::TcpStream;
    use std::time::Instant;

    use super::*;

    struct Nothing;

    impl Site for Nothing {
        fn answer(&self, _: &Method, _: &str, _: &[u8]) -> Answer {
            Answer::nothing()
        }
    }

    #[test]
    fn a_request_that_never_ends_does_not_keep_the_server() {
        let stop = Stop::default();
        let link = Link::start(Arc::new(Nothing), stop.clone()).unwrap();
        let port: u16 = link.url.split([':', '/']).nth(4).unwrap().parse().unwrap();
        let mut asleep = TcpStream::connect((Ipv4Addr::LOCALHOST, port)).unwrap();
        asleep.write_all(b"GET /").unwrap();
        // The server must have taken it before it is told to end.
        std::thread::sleep(Duration::from_millis(200));
        let told = Instant::now();
        stop.stop();
        link.wait().unwrap();
        assert!(told.elapsed() < 5 * LAST_ANSWERS, "{:?}", told.elapsed());
    }
}
