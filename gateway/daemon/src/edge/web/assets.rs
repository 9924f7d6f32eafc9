//! The page itself: a few files, held in the program, so that nothing has to be fetched from elsewhere.

use std::io::Write;
use std::sync::Arc;

use axum::Router;
use axum::http::{HeaderMap, HeaderName, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use flate2::Compression;
use flate2::write::GzEncoder;
use ring::digest::{SHA256, digest};

use crate::edge::hex::hex;

const SCRIPT: &str = "text/javascript; charset=utf-8";

/// Path, media type, text.
const ASSETS: [(&str, &str, &str); 24] = [
    ("/", "text/html; charset=utf-8", include_str!("page/page.html")),
    ("/page.css", "text/css; charset=utf-8", include_str!("page/page.css")),
    ("/icon.svg", "image/svg+xml", include_str!("page/icon.svg")),
    ("/page.js", SCRIPT, include_str!("page/page.js")),
    ("/agree.js", SCRIPT, include_str!("page/agree.js")),
    ("/alarms.js", SCRIPT, include_str!("page/alarms.js")),
    ("/api.js", SCRIPT, include_str!("page/api.js")),
    ("/calibrate.js", SCRIPT, include_str!("page/calibrate.js")),
    ("/cleanout.js", SCRIPT, include_str!("page/cleanout.js")),
    ("/curve.js", SCRIPT, include_str!("page/curve.js")),
    ("/form.js", SCRIPT, include_str!("page/form.js")),
    ("/gateway.js", SCRIPT, include_str!("page/gateway.js")),
    ("/history.js", SCRIPT, include_str!("page/history.js")),
    ("/instruments.js", SCRIPT, include_str!("page/instruments.js")),
    ("/live.js", SCRIPT, include_str!("page/live.js")),
    ("/log.js", SCRIPT, include_str!("page/log.js")),
    ("/overview.js", SCRIPT, include_str!("page/overview.js")),
    ("/people.js", SCRIPT, include_str!("page/people.js")),
    ("/sump.js", SCRIPT, include_str!("page/sump.js")),
    ("/tank.js", SCRIPT, include_str!("page/tank.js")),
    ("/topup.js", SCRIPT, include_str!("page/topup.js")),
    ("/units.js", SCRIPT, include_str!("page/units.js")),
    ("/who.js", SCRIPT, include_str!("page/who.js")),
    ("/words.js", SCRIPT, include_str!("page/words.js")),
];

/// One file, as it goes out.
struct Asset {
    media_type: &'static str,
    text: &'static str,
    /// The same in gzip.
    packed: Vec<u8>,
    /// Stands for its content: a browser that has it asks with this.
    tag: String,
}

impl Asset {
    fn new(media_type: &'static str, text: &'static str) -> Self {
        let mut packer = GzEncoder::new(Vec::new(), Compression::best());
        let packed = packer.write_all(text.as_bytes()).and_then(|()| packer.finish()).unwrap_or_default();
        let hash = digest(&SHA256, text.as_bytes());
        let tag = hex(&hash.as_ref()[..16]);
        Self { media_type, text, packed, tag: format!("\"{tag}\"") }
    }

    fn answer(&self, asked: &HeaderMap) -> Response {
        let has = |name: HeaderName, word: &str| {
            let mut values = asked.get_all(name).iter().filter_map(|value| value.to_str().ok());
            values.any(|value| {
                value.split(',').any(|one| one.split(';').next().is_some_and(|one| one.trim() == word))
            })
        };
        // Kept by the browser, and asked for by its tag each time: a new program shows a new page at once.
        let common = [
            (header::ETAG, self.tag.as_str()),
            (header::CACHE_CONTROL, "no-cache"),
            (header::VARY, "accept-encoding"),
        ];
        if has(header::IF_NONE_MATCH, &self.tag) {
            return (StatusCode::NOT_MODIFIED, common).into_response();
        }
        let media_type = [(header::CONTENT_TYPE, self.media_type)];
        if has(header::ACCEPT_ENCODING, "gzip") && !self.packed.is_empty() {
            let packed = [(header::CONTENT_ENCODING, "gzip")];
            return (common, media_type, packed, self.packed.clone()).into_response();
        }
        (common, media_type, self.text).into_response()
    }
}

/// A route for each.
pub(super) fn routes<S: Clone + Send + Sync + 'static>() -> Router<S> {
    ASSETS.into_iter().fold(Router::new(), |router, (path, media_type, text)| {
        let asset = Arc::new(Asset::new(media_type, text));
        router.route(path, get(move |asked: HeaderMap| async move { asset.answer(&asked) }))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What one file asks for is served, and nothing comes from elsewhere.
    #[test]
    fn every_file_that_the_page_names_is_there() {
        for (path, _, text) in ASSETS {
            let named =
                text.split(['"', '\'']).filter(|word| word.ends_with(".js") || word.ends_with(".css"));
            for name in named {
                let name = name.trim_start_matches("./").trim_start_matches('/');
                assert!(
                    ASSETS.iter().any(|(path, _, _)| path.trim_start_matches('/') == name),
                    "{path}: {name}"
                );
            }
            let outside = text.split_whitespace().find(|word| word.contains("https://"));
            assert_eq!(outside, None, "{path}");
        }
    }

    #[tokio::test]
    async fn a_browser_that_has_a_file_does_not_fetch_it_again() {
        use super::super::tests::answer_to;
        let ask = |headers: &str| {
            let request =
                format!("GET /page.js HTTP/1.1\r\nHost: OURS\r\nConnection: close\r\n{headers}\r\n");
            async move { answer_to(&request).await }
        };
        let first = ask("").await;
        let tag = first.lines().find_map(|line| line.strip_prefix("etag: ")).expect("a tag");
        assert!(first.contains("cache-control: no-cache") && first.contains("import"), "{first}");
        let again = ask(&format!("If-None-Match: {tag}\r\n")).await;
        assert!(again.starts_with("HTTP/1.1 304") && !again.contains("import"), "{again}");
        let other = ask("If-None-Match: \"0\"\r\n").await;
        assert!(other.starts_with("HTTP/1.1 200"), "{other}");
    }

    #[test]
    fn a_packed_file_is_the_file() {
        let asset = Asset::new(SCRIPT, include_str!("page/page.js"));
        let mut text = String::new();
        std::io::Read::read_to_string(&mut flate2::read::GzDecoder::new(&asset.packed[..]), &mut text)
            .unwrap();
        assert_eq!(text, asset.text);
        assert!(asset.packed.len() < text.len() / 2);
    }
}
