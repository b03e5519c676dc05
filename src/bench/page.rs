//! The page beside the wheel: served to this computer alone, pushed to as soon as something changes.
//!
//! Only the loopback address is listened on, and a request that names another host is refused, so that no page from
//! elsewhere reaches it under a name of its own that leads here. Nothing can be changed by it: it is only read.

use std::convert::Infallible;
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::sync::Arc;

use askama::Template;
use axum::Router;
use axum::extract::{Request, State};
use axum::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, HOST, HeaderName, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderValue, StatusCode};
use axum::middleware::{Next, from_fn_with_state, map_response};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
use futures_util::Stream;
use futures_util::stream::unfold;
use tokio::sync::watch;

use crate::error::{Error, Result};

use super::view::View;

const CSS: &str = include_str!("templates/bench.css");
const SCRIPT: &str = include_str!("templates/bench.js");

/// What is not said here is refused: no script, style, picture or connection from elsewhere, no frame around it.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:; \
                      base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

#[derive(Template)]
#[template(path = "bench.html")]
struct Page {}

/// The page's end of the bench: what is given to it is pushed to every window that is open.
#[derive(Debug)]
pub struct Server {
    state: watch::Sender<Arc<str>>,
    /// Where it listens.
    pub address: SocketAddr,
}

#[derive(Clone, Debug)]
struct Shared {
    state: watch::Receiver<Arc<str>>,
    port: u16,
}

impl Server {
    /// Listens on the loopback address; port 0 takes a free one.
    ///
    /// # Errors
    /// When the port is taken.
    pub fn start(port: u16) -> Result<Self> {
        let failed = |e: std::io::Error| {
            Error::new(format!("127.0.0.1:{port}"), "cannot be listened on", "give another --page port").caused_by(e)
        };
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).map_err(failed)?;
        listener.set_nonblocking(true).map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        let (state, receiver) = watch::channel(Arc::from("null"));
        let router = router(Shared { state: receiver, port: address.port() });
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_io().enable_time().build().map_err(failed)?;
        std::thread::spawn(move || {
            runtime.block_on(async {
                if let Ok(listener) = tokio::net::TcpListener::from_std(listener) {
                    // It ends with the program; a window that went away is no error of ours.
                    let _ = axum::serve(listener, router).await;
                }
            });
        });
        Ok(Self { state, address })
    }

    /// Shows a view; windows hear of it only when it differs from the last.
    pub fn show(&self, view: &View) {
        let Ok(json) = serde_json::to_string(view) else { return };
        self.state.send_if_modified(|old| {
            let differs = **old != *json;
            if differs {
                *old = Arc::from(json);
            }
            differs
        });
    }
}

fn router(shared: Shared) -> Router {
    let text = |kind: &'static str, body: &'static str| {
        get(move || async move { ([(CONTENT_TYPE, HeaderValue::from_static(kind))], body) })
    };
    Router::new()
        .route("/", get(page))
        .route("/bench.css", text("text/css; charset=utf-8", CSS))
        .route("/bench.js", text("text/javascript; charset=utf-8", SCRIPT))
        .route("/state.json", get(state))
        .route("/events", get(events))
        .layer(map_response(guarded))
        .layer(from_fn_with_state(shared.clone(), from_here))
        .with_state(shared)
}

/// Refuses what was asked of another host than this computer's own.
async fn from_here(State(shared): State<Shared>, request: Request, next: Next) -> Response {
    let host = request.headers().get(HOST).and_then(|h| h.to_str().ok()).unwrap_or_default();
    let here = ["localhost", "127.0.0.1"]
        .iter()
        .any(|name| host == format!("{name}:{}", shared.port) || (shared.port == 80 && host == *name));
    if !here {
        return (StatusCode::FORBIDDEN, "this page is for this computer alone\n").into_response();
    }
    next.run(request).await
}

async fn guarded(mut response: Response) -> Response {
    let headers = response.headers_mut();
    for (name, value) in [
        (CONTENT_SECURITY_POLICY, POLICY),
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (CACHE_CONTROL, "no-store"),
        (HeaderName::from_static("referrer-policy"), "no-referrer"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}

async fn page() -> Response {
    match (Page {}).render() {
        Ok(html) => Html(html).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

async fn state(State(shared): State<Shared>) -> Response {
    let json = shared.state.borrow().to_string();
    ([(CONTENT_TYPE, HeaderValue::from_static("application/json"))], json).into_response()
}

/// The state now, and again whenever it changes.
async fn events(State(shared): State<Shared>) -> Sse<impl Stream<Item = std::result::Result<Event, Infallible>>> {
    let mut state = shared.state;
    state.mark_changed();
    let stream = unfold(state, |mut state| async move {
        state.changed().await.ok()?;
        let json = state.borrow_and_update().to_string();
        Some((Ok(Event::default().data(json)), state))
    });
    Sse::new(stream).keep_alive(KeepAlive::default())
}

#[cfg(test)]
#[path = "page_browser.rs"]
mod browser;
