//! The page itself: a few files, held in the program, so that nothing has to be fetched from elsewhere.

use axum::Router;
use axum::http::header;
use axum::routing::get;

const SCRIPT: &str = "text/javascript; charset=utf-8";

/// Path, media type, text.
const ASSETS: [(&str, &str, &str); 23] = [
    ("/", "text/html; charset=utf-8", include_str!("page/page.html")),
    ("/page.css", "text/css; charset=utf-8", include_str!("page/page.css")),
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
