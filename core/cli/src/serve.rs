//! `stillair serve`: the runs of a folder as pages, for this machine alone unless asked otherwise. Nothing is written,
//! and nothing outside the folder is read.

use std::net::{IpAddr, SocketAddr};
use std::path::{Path as FilePath, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::{Path, Query, Request, State};
use axum::http::{HeaderValue, Method, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
use serde_json::json;
use stillair_api::Fault;
use stillair_report::{Filter, RunCard};

use crate::arguments::{Global, Serve};
use crate::failure::Failure;
use crate::{say, signals};

/// What every answer says: no other site may be asked, embed the page, or learn of it.
const POLICY: &str = "default-src 'none'; img-src 'self' data:; style-src 'unsafe-inline'; script-src 'unsafe-inline'; \
                      connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

struct Shop {
    out: PathBuf,
    token: Option<String>,
}

type Shared = State<Arc<Shop>>;

/// Serves until it is told to stop.
pub fn serve(verb: &Serve, global: &Global) -> Result<(), Failure> {
    let address = verb.listen;
    let token = if address.ip().is_loopback() { None } else { Some(token()?) };
    let shop = Arc::new(Shop { out: global.out.clone(), token: token.clone() });
    let cancel = signals::cancel_flag();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|error| Fault::resource(format!("cannot start to serve: {error}")))?;
    runtime.block_on(async {
        let busy = |error: std::io::Error| {
            Failure::from(
                Fault::resource(format!("cannot listen on {address}: {error}")).remedy("choose another with --listen"),
            )
        };
        let listener = tokio::net::TcpListener::bind(address).await.map_err(busy)?;
        let bound = listener.local_addr().map_err(busy)?;
        tell(bound, token.as_deref(), global);
        let stop = async move {
            while !cancel.is_set() {
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        };
        let served = axum::serve(listener, router(shop)).with_graceful_shutdown(stop).await;
        served.map_err(|error| Fault::resource(format!("serving ended: {error}")).into())
    })
}

fn tell(bound: SocketAddr, token: Option<&str>, global: &Global) {
    let address = match token {
        Some(token) => format!("http://{bound}/?token={token}"),
        None => format!("http://{bound}/"),
    };
    if global.json {
        say::json(&json!({ "event": "serving", "address": address, "folder": global.out }));
    } else {
        say::out(&format!("serving {} at {address}", global.out.display()));
    }
}

/// 128 random bits in hexadecimal.
fn token() -> Result<String, Failure> {
    let mut bytes = [0_u8; 16];
    getrandom::fill(&mut bytes).map_err(|error| Fault::resource(format!("no random numbers: {error}")))?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}

fn router(shop: Arc<Shop>) -> Router {
    Router::new()
        .route("/", get(list))
        .route("/run/{name}", get(page))
        .route("/thumbnail/{name}", get(thumbnail))
        .route("/compare", get(compare))
        .route("/running", get(running))
        .layer(middleware::from_fn_with_state(shop.clone(), guard))
        .with_state(shop)
}

/// Lets in whom it should: any reader on this machine who asks for this machine by name (so that no foreign site can
/// ask through a browser by a name of its own), elsewhere only with the token.
async fn guard(State(shop): Shared, request: Request, next: Next) -> Response {
    if !matches!(*request.method(), Method::GET | Method::HEAD) {
        return StatusCode::METHOD_NOT_ALLOWED.into_response();
    }
    let headers = request.headers();
    let given = |name| headers.get(name).and_then(|v: &HeaderValue| v.to_str().ok()).unwrap_or_default();
    match &shop.token {
        None if !is_this_machine(given(header::HOST)) => return refused(),
        None => {}
        Some(token) => {
            let asked = request.uri().query().unwrap_or_default().split('&').find_map(|p| p.strip_prefix("token="));
            if asked.is_some_and(|asked| same(asked, token)) {
                let cookie = format!("stillair={token}; Path=/; HttpOnly; SameSite=Strict");
                let to = request.uri().path().to_string();
                return (StatusCode::SEE_OTHER, [(header::SET_COOKIE, cookie), (header::LOCATION, to)]).into_response();
            }
            let mut cookies = given(header::COOKIE).split(';').filter_map(|c| c.trim().strip_prefix("stillair="));
            if !cookies.any(|c| same(c, token)) {
                return refused();
            }
        }
    }
    let mut answer = next.run(request).await;
    let fixed = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::CACHE_CONTROL, "no-store"),
    ];
    for (name, value) in fixed {
        answer.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    answer
}

fn refused() -> Response {
    (StatusCode::FORBIDDEN, "This address is not open to you: use the one that the command printed.\n").into_response()
}

fn is_this_machine(host: &str) -> bool {
    let name = match host.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or_default(),
        None => host.split(':').next().unwrap_or_default(),
    };
    name == "localhost" || name.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// Compares in a time that does not tell where the first difference is.
fn same(a: &str, b: &str) -> bool {
    a.len() == b.len() && a.bytes().zip(b.bytes()).fold(0, |sum, (x, y)| sum | (x ^ y)) == 0
}

/// Does blocking work aside; a failure becomes a page of words.
async fn aside(work: impl FnOnce() -> Result<Response, Refusal> + Send + 'static) -> Response {
    match tokio::task::spawn_blocking(work).await {
        Ok(Ok(answer)) => answer,
        Ok(Err(refusal)) => refusal.into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

/// Why there is no page.
type Refusal = (StatusCode, String);

fn missing() -> Refusal {
    (StatusCode::NOT_FOUND, "There is no such run here.\n".into())
}

fn broken(error: &dyn std::fmt::Display) -> Refusal {
    (StatusCode::INTERNAL_SERVER_ERROR, format!("{error}\n"))
}

/// The folder of a run, if that is one of the folders right inside `out`; a link that leads elsewhere is none.
fn run_folder(out: &FilePath, name: &str) -> Option<PathBuf> {
    let plain = !name.is_empty() && !name.starts_with('.') && !name.contains(['/', '\\', '\0', ':']);
    let folder = plain.then(|| out.join(name))?.canonicalize().ok()?;
    let within = folder.parent() == out.canonicalize().ok().as_deref();
    (within && folder.join("run.json").is_file()).then_some(folder)
}

/// The runs of a folder; a folder with a record that cannot be read is left out.
pub fn cards(out: &FilePath) -> Vec<RunCard> {
    let Ok(entries) = std::fs::read_dir(out) else { return Vec::new() };
    let card = |entry: std::fs::DirEntry| {
        let name = entry.file_name().to_str()?.to_string();
        let text = std::fs::read_to_string(run_folder(out, &name)?.join("run.json")).ok()?;
        Some(RunCard::of(&name, &serde_json::from_str(&text).ok()?))
    };
    let mut cards: Vec<RunCard> = entries.flatten().filter_map(card).collect();
    cards.sort_by(|a, b| a.name.cmp(&b.name));
    cards
}

type Pairs = Query<Vec<(String, String)>>;

async fn list(State(shop): Shared, Query(asked): Pairs) -> Response {
    let value = |name: &str| asked.iter().find(|(k, _)| k == name).map(|(_, v)| v.clone()).unwrap_or_default();
    let filter = Filter {
        target: value("target"),
        recipe: value("recipe"),
        limit: value("limit"),
        from: value("from"),
        to: value("to"),
    };
    aside(move || Ok(Html(stillair_report::runs_page(&cards(&shop.out), &filter)).into_response())).await
}

async fn page(State(shop): Shared, Path(name): Path<String>) -> Response {
    aside(move || {
        let folder = run_folder(&shop.out, &name).ok_or_else(missing)?;
        let page = folder.join("report.html");
        let real = page.canonicalize().map_err(|_| missing())?;
        if real.parent() != Some(folder.as_path()) {
            return Err(missing());
        }
        std::fs::read_to_string(real).map(|text| Html(text).into_response()).map_err(|error| broken(&error))
    })
    .await
}

async fn thumbnail(State(shop): Shared, Path(name): Path<String>) -> Response {
    aside(move || {
        let folder = run_folder(&shop.out, &name).ok_or_else(missing)?;
        match stillair_report::thumbnail(&folder) {
            Ok(Some((kind, bytes))) => Ok(([(header::CONTENT_TYPE, kind)], bytes).into_response()),
            Ok(None) => Err(missing()),
            Err(error) => Err(broken(&error)),
        }
    })
    .await
}

async fn compare(State(shop): Shared, Query(asked): Pairs) -> Response {
    let names: Vec<String> = asked.into_iter().filter(|(k, _)| k == "run").map(|(_, v)| v).collect();
    aside(move || {
        let [a, b] = &names[..] else {
            return Err((StatusCode::BAD_REQUEST, "Tick two runs of the list to compare them.\n".into()));
        };
        let folder = |name: &str| run_folder(&shop.out, name).ok_or_else(missing);
        let page = stillair_report::pair_page(&folder(a)?, &folder(b)?);
        page.map(|text| Html(text).into_response()).map_err(|error| broken(&error))
    })
    .await
}

async fn running(State(shop): Shared) -> Response {
    aside(move || {
        let list = crate::progress::running(&shop.out);
        Ok(([(header::CONTENT_TYPE, "application/json")], serde_json::Value::from(list).to_string()).into_response())
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_this_machine_is_this_machine() {
        assert!(["localhost", "localhost:80", "127.0.0.1:8000", "[::1]:80"].iter().all(|h| is_this_machine(h)));
        assert!(
            ["", "example.org", "10.0.0.1:80", "localhost.example.org", "[::2]"].iter().all(|h| !is_this_machine(h))
        );
        assert!(same("ab", "ab") && !same("ab", "aa") && !same("ab", "abc"));
    }
}
