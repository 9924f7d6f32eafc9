//! Who may do what, tried over real connections: logins, roles, cookies, stickers, other sites.

use std::collections::BTreeMap;
use std::net::SocketAddr;

use serde_json::{Value, json};

use super::access::Reads;
use super::commands::Command;
use super::tests::{KEY, access, asked, nobody_asked, served};

const PASSWORD: &str = "harbour lantern gravel";

/// Status, headers by name, body.
struct Answer {
    status: u16,
    headers: BTreeMap<String, String>,
    body: Value,
}

impl Answer {
    /// What the cookie of a new session would send back.
    fn cookie(&self) -> String {
        self.headers["set-cookie"].split(';').next().unwrap_or_default().to_owned()
    }
}

/// A page with a browser before it.
struct Browser {
    page: SocketAddr,
    cookie: Option<String>,
}

impl Browser {
    async fn ask(&self, method: &str, path: &str, body: &Value, headers: &[(&str, &str)]) -> Answer {
        let body = if body.is_null() { String::new() } else { body.to_string() };
        let mut text = format!(
            "{method} {path} HTTP/1.1\r\nHost: OURS\r\nConnection: close\r\nContent-Length: {}\r\n",
            body.len()
        );
        if !body.is_empty() && !headers.iter().any(|(name, _)| *name == "Content-Type") {
            text += "Content-Type: application/json\r\n";
        }
        if let Some(cookie) = &self.cookie {
            text += &format!("Cookie: {cookie}\r\n");
        }
        for (name, value) in headers {
            text += &format!("{name}: {value}\r\n");
        }
        let answer = asked(self.page, &format!("{text}\r\n{body}")).await;
        let (head, body) = answer.split_once("\r\n\r\n").expect("an answer");
        let mut lines = head.lines();
        let status = lines.next().and_then(|line| line.split(' ').nth(1)).and_then(|word| word.parse().ok());
        let headers = lines.filter_map(|line| line.split_once(": "));
        Answer {
            status: status.expect("a status"),
            headers: headers.map(|(name, value)| (name.to_lowercase(), value.to_owned())).collect(),
            body: serde_json::from_str(body).unwrap_or(Value::Null),
        }
    }

    /// As our page does it.
    async fn send(&self, method: &str, path: &str, body: Value) -> Answer {
        self.ask(method, path, &body, &[("Sumpwarden-Page", "1"), ("Sec-Fetch-Site", "same-origin")]).await
    }

    async fn get(&self, path: &str) -> Answer {
        self.ask("GET", path, &Value::Null, &[]).await
    }

    /// Another browser with this person logged in.
    async fn logged_in(&self, name: &str) -> Self {
        let stranger = Self { page: self.page, cookie: None };
        let answer = stranger.send("POST", "/session", json!({"name": name, "password": PASSWORD})).await;
        assert_eq!(answer.status, 200, "{}", answer.body);
        Self { page: self.page, cookie: Some(answer.cookie()) }
    }
}

/// A shop where kim manages, ada logs and eve looks; somebody with the key made them.
async fn shop(reads: Reads) -> Browser {
    let says = |command: &Command| {
        let Command::Order { by, .. } = command else { return Err("only orders".to_owned()) };
        assert_eq!(by, "ada", "whoever is logged in speaks for themselves");
        Ok(())
    };
    let stranger = Browser { page: served(says, access(reads)).await, cookie: None };
    let bearer = format!("Bearer {KEY}");
    for (name, role) in [("kim", "manage"), ("ada", "log"), ("eve", "look")] {
        let body = json!({"name": name, "role": role, "password": PASSWORD});
        let answer = stranger.ask("POST", "/people", &body, &[("Authorization", &bearer)]).await;
        assert_eq!(answer.status, 201, "{}", answer.body);
    }
    stranger
}

#[tokio::test]
async fn the_first_person_comes_with_the_code_of_the_log_and_only_once() {
    let access = access(Reads::Open);
    let code = access.first_code().expect("nobody is there");
    let browser = Browser { page: served(nobody_asked, access).await, cookie: None };
    assert_eq!(browser.get("/session").await.body["first_start"], true);
    let first = |role: &str| json!({"name": "kim", "role": role, "password": PASSWORD});
    let with = |code: &str| format!("Bearer {code}");
    let wrong = browser.ask("POST", "/people", &first("manage"), &[("Authorization", &with("guess"))]).await;
    assert_eq!(wrong.status, 401);
    let powerless = browser.ask("POST", "/people", &first("log"), &[("Authorization", &with(&code))]).await;
    assert_eq!(powerless.status, 422, "{}", powerless.body);
    let common = json!({"name": "kim", "role": "manage", "password": "password1"});
    let common = browser.ask("POST", "/people", &common, &[("Authorization", &with(&code))]).await;
    assert!(
        common.status == 422 && common.body["detail"].as_str().unwrap().contains("first ones"),
        "{}",
        common.body
    );
    let made = browser.ask("POST", "/people", &first("manage"), &[("Authorization", &with(&code))]).await;
    assert_eq!((made.status, &made.body["role"]), (201, &json!("manage")), "{}", made.body);
    let again = json!({"name": "eve", "role": "manage", "password": PASSWORD});
    let again = browser.ask("POST", "/people", &again, &[("Authorization", &with(&code))]).await;
    assert_eq!(again.status, 401, "the code is used up");
    assert_eq!(browser.get("/session").await.body["first_start"], false);
    assert!(!made.body.to_string().contains("hash"), "nothing of the password leaves");
}

/// Hashing takes a while, in which another one may come.
#[tokio::test]
async fn of_two_who_come_at_once_with_the_first_code_one_is_made() {
    let access = access(Reads::Open);
    let code = format!("Bearer {}", access.first_code().expect("nobody is there"));
    let browser = Browser { page: served(nobody_asked, access).await, cookie: None };
    let come = async |name: &str| {
        let body = json!({"name": name, "role": "manage", "password": PASSWORD});
        browser.ask("POST", "/people", &body, &[("Authorization", &code)]).await.status
    };
    let (one, other) = tokio::join!(come("kim"), come("eve"));
    assert_eq!([one, other].iter().filter(|status| **status == 201).count(), 1, "{one} and {other}");
}

#[tokio::test]
async fn a_session_is_a_cookie_that_no_script_sees_and_ends_at_the_logout() {
    let shop = shop(Reads::Open).await;
    let answer = shop.send("POST", "/session", json!({"name": "ada", "password": PASSWORD})).await;
    let cookie = &answer.headers["set-cookie"];
    for word in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(cookie.contains(word), "{cookie}");
    }
    let ada = shop.logged_in("ada").await;
    let session = ada.get("/session").await.body;
    assert_eq!((&session["person"]["name"], &session["person"]["role"]), (&json!("ada"), &json!("log")));
    let another = shop.logged_in("ada").await;
    assert_ne!(another.cookie, ada.cookie, "a new token at each login");
    assert_eq!(ada.send("DELETE", "/session", Value::Null).await.status, 204);
    assert_eq!(ada.get("/session").await.body["person"], Value::Null, "sent again, it is worth nothing");
    assert_eq!(another.get("/session").await.body["person"]["name"], "ada");
    for (name, password) in [("ada", "harbour lantern"), ("mallory", PASSWORD)] {
        let wrong = shop.send("POST", "/session", json!({"name": name, "password": password})).await;
        assert_eq!(wrong.status, 401);
        assert_eq!(wrong.body["detail"], "name and password do not belong together", "neither is told apart");
    }
}

#[tokio::test]
async fn each_role_may_what_it_says() {
    let shop = shop(Reads::Open).await;
    let [kim, ada, eve] =
        [shop.logged_in("kim").await, shop.logged_in("ada").await, shop.logged_in("eve").await];
    let order =
        |what: &str| json!({"alarm": "lathe-1/ph-low", "do": what, "why": "probe out", "minutes": 60});
    assert_eq!(ada.send("POST", "/alarms", order("shelve")).await.status, 204);
    assert_eq!(ada.send("POST", "/alarms", order("remove")).await.status, 403, "that takes `manage`");
    assert_eq!(eve.send("POST", "/alarms", order("acknowledge")).await.status, 403, "who looks does nothing");
    assert_eq!(shop.send("POST", "/alarms", order("acknowledge")).await.status, 401, "nobody is logged in");
    let other = json!({"alarm": "lathe-1/ph-low", "do": "acknowledge", "by": "kim"});
    assert_eq!(ada.send("POST", "/alarms", other).await.status, 422, "nobody speaks for another");
    assert_eq!(ada.get("/people").await.status, 403);
    assert_eq!(kim.get("/people").await.body["people"].as_array().unwrap().len(), 3);
    assert_eq!(
        kim.send("PUT", "/people/kim", json!({"role": "look"})).await.status,
        409,
        "the last who manages"
    );
    assert_eq!(kim.send("PUT", "/people/ada", json!({"role": "look"})).await.status, 200);
    assert_eq!(ada.send("POST", "/alarms", order("shelve")).await.status, 401, "their sessions have ended");
    assert_eq!(kim.send("DELETE", "/people/eve", Value::Null).await.status, 204);
    assert_eq!(eve.get("/session").await.body["person"], Value::Null);
}

#[tokio::test]
async fn other_sites_can_do_nothing_with_somebodys_cookie() {
    let shop = shop(Reads::Open).await;
    let ada = shop.logged_in("ada").await;
    let order = json!({"alarm": "lathe-1/ph-low", "do": "acknowledge"});
    let ours = ("Sumpwarden-Page", "1");
    for headers in [
        &[][..],
        &[ours, ("Sec-Fetch-Site", "cross-site")],
        &[ours, ("Sec-Fetch-Site", "same-site")],
        &[ours, ("Origin", "http://evil.example")],
        &[ours, ("Origin", "null")],
        &[("Content-Type", "text/plain")],
        &[("Content-Type", "application/x-www-form-urlencoded")],
    ] {
        let answer = ada.ask("POST", "/alarms", &order, headers).await;
        assert_eq!(answer.status, 403, "{headers:?}: {}", answer.body);
    }
    let answer = ada.ask("POST", "/alarms", &order, &[ours, ("Content-Type", "text/plain")]).await;
    assert_eq!(answer.status, 415);
    assert_eq!(ada.ask("POST", "/alarms", &order, &[ours, ("Origin", "http://OURS")]).await.status, 204);
}

#[tokio::test]
async fn a_sticker_writes_notes_on_its_own_sump_until_it_is_made_void() {
    let shop = shop(Reads::Login).await;
    let kim = shop.logged_in("kim").await;
    let sticker = kim.get("/sumps/lathe-1/sticker").await.body;
    assert_eq!(sticker["link"], format!("/#/log/lathe-1/{}", sticker["code"].as_str().unwrap()));
    let shown = format!("Sticker lathe-1:{}", sticker["code"].as_str().unwrap());
    let with = [("Authorization", shown.as_str())];
    let note = |sump: &str| json!({"sump": sump, "kind": "ph", "value": 9.1, "by": "Sam"});
    // No engine takes notes here: it gets as far as the engine.
    assert_eq!(shop.ask("POST", "/notes", &note("lathe-1"), &with).await.status, 503);
    assert_eq!(shop.ask("POST", "/notes", &note("mill-2"), &with).await.status, 403);
    let order = json!({"alarm": "lathe-1/ph-low", "do": "acknowledge", "by": "Sam"});
    assert_eq!(shop.ask("POST", "/alarms", &order, &with).await.status, 403);
    assert_eq!(shop.ask("GET", "/state", &Value::Null, &with).await.status, 403, "not the others");
    assert_eq!(kim.send("DELETE", "/sumps/lathe-1/sticker", Value::Null).await.status, 200);
    let void = shop.ask("POST", "/notes", &note("lathe-1"), &with).await;
    assert!(void.status == 401 && void.body["detail"].as_str().unwrap().contains("sticker"), "{}", void.body);
}

#[tokio::test]
async fn looking_takes_a_login_where_the_configuration_asks_for_one() {
    let shop = shop(Reads::Login).await;
    for path in ["/state", "/events", "/journal", "/sumps/lathe-1/trend", "/metrics", "/alarms/performance"] {
        assert_eq!(shop.get(path).await.status, 401, "{path}");
    }
    for path in ["/", "/page.js", "/session", "/kinds", "/openapi.json"] {
        assert_eq!(shop.get(path).await.status, 200, "{path}");
    }
    let eve = shop.logged_in("eve").await;
    assert_eq!(eve.get("/state").await.status, 200);
    let bearer = format!("Bearer {KEY}");
    assert_eq!(shop.ask("GET", "/metrics", &Value::Null, &[("Authorization", &bearer)]).await.status, 200);
}

#[tokio::test]
async fn a_password_is_changed_by_whoever_knows_it_and_ends_all_other_sessions() {
    let shop = shop(Reads::Open).await;
    let (ada, elsewhere) = (shop.logged_in("ada").await, shop.logged_in("ada").await);
    let change = |old: &str| json!({"old": old, "new": "copper window thistle"});
    assert_eq!(ada.send("PUT", "/session/password", change("harbour")).await.status, 403);
    let changed = ada.send("PUT", "/session/password", change(PASSWORD)).await;
    assert_eq!(changed.status, 204, "{}", changed.body);
    assert_eq!(elsewhere.get("/session").await.body["person"], Value::Null);
    let here = Browser { page: shop.page, cookie: Some(changed.cookie()) };
    assert_eq!(here.get("/session").await.body["person"]["name"], "ada");
    let units = json!({"system": "us", "hardness": "gpg", "conductivity": "ms-cm"});
    assert_eq!(here.send("PUT", "/session/units", units.clone()).await.body["units"], units);
    assert_eq!(here.get("/session").await.body["person"]["units"], units);
}

#[tokio::test]
async fn guessing_a_password_costs_time_and_nobody_else_waits() {
    let shop = shop(Reads::Open).await;
    let guess = json!({"name": "ada", "password": "wrong wrong wrong"});
    let mut refused = 0;
    for _ in 0..12 {
        refused += u32::from(shop.send("POST", "/session", guess.clone()).await.status == 429);
    }
    assert!(refused >= 5, "{refused} of 12 had to wait");
}

/// Every route that is no GET, from the description itself, wants somebody who is known.
#[tokio::test]
async fn no_route_writes_for_a_stranger() {
    let shop = shop(Reads::Open).await;
    let described = shop.get("/openapi.json").await.body;
    assert_eq!(described["openapi"], "3.1.0");
    let mut tried = 0;
    for (path, methods) in described["paths"].as_object().unwrap() {
        for (method, operation) in methods.as_object().unwrap() {
            if method == "get" || (path == "/session" && method == "post") {
                continue;
            }
            let path = path.replace("{sump}", "lathe-1").replace("{name}", "ada").replace("{probe}", "ph");
            let answer = shop.send(&method.to_uppercase(), &path, json!({})).await;
            assert_eq!(answer.status, 401, "{method} {path}");
            assert!(answer.headers["content-type"].starts_with("application/problem+json"));
            assert!(operation["security"].is_array(), "{method} {path} says that it needs somebody");
            tried += 1;
        }
    }
    assert!(tried >= 9, "{tried} routes");
}
