//! The page itself: a few files, held in the program, so that nothing has to be fetched from elsewhere.

use axum::Router;
use axum::http::header;
use axum::routing::get;

const SCRIPT: &str = "text/javascript; charset=utf-8";

/// Path, media type, text.
const ASSETS: [(&str, &str, &str); 10] = [
    ("/", "text/html; charset=utf-8", include_str!("page/page.html")),
    ("/page.css", "text/css; charset=utf-8", include_str!("page/page.css")),
    ("/page.js", SCRIPT, include_str!("page/page.js")),
    ("/overview.js", SCRIPT, include_str!("page/overview.js")),
    ("/sump.js", SCRIPT, include_str!("page/sump.js")),
    ("/gateway.js", SCRIPT, include_str!("page/gateway.js")),
    ("/history.js", SCRIPT, include_str!("page/history.js")),
    ("/curve.js", SCRIPT, include_str!("page/curve.js")),
    ("/tank.js", SCRIPT, include_str!("page/tank.js")),
    ("/words.js", SCRIPT, include_str!("page/words.js")),
];

/// A route for each.
pub(super) fn routes<S: Clone + Send + Sync + 'static>() -> Router<S> {
    ASSETS.into_iter().fold(Router::new(), |router, (path, media_type, text)| {
        router.route(path, get(move || async move { ([(header::CONTENT_TYPE, media_type)], text) }))
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
}
