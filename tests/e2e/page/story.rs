//! Stories of people with the page.

use serde_json::{Value, json};
use sumpwarden_tests::broker::{Entrance, Mosquitto, publish};
use sumpwarden_tests::database::http_with;
use sumpwarden_tests::gateway::{Installation, plain_probe, sump};

use super::browser::{Demo, SUMP, play};

/// Texts that would run, load or break out if anything took them for more than text.
const ATTACKS: [&str; 8] = [
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(2)>",
    "\"><svg onload=alert(3)>",
    "javascript:alert(4)",
    "{{7*7}}${7*7}",
    "</title><iframe src=//evil.example>",
    "\u{202e}gnirts\u{2066}",
    "'; DROP TABLE people; --",
];

fn texts(value: &Value) -> Vec<String> {
    value.as_array().into_iter().flatten().filter_map(Value::as_str).map(str::to_owned).collect()
}

/// One shop, in the order in which people use it.
#[test]
fn people_log_readings_see_to_alarms_and_clean_out() {
    let demo = Demo::start();
    let none = json!({});
    let came = demo.story("first_login", &none);
    assert_eq!((&came["session"]["person"], &came["session"]["first_start"]), (&Value::Null, &json!(false)));

    let came = demo.story("log_reading", &none);
    assert!(came["taps"].as_u64().is_some_and(|taps| taps <= 3), "three taps: {came}");
    let told = came["told"].as_str().unwrap_or_default();
    assert!(told.contains("concentration") && told.contains("5.2"), "{told}");
    assert!(
        texts(&came["journal"]).iter().any(|note| note.contains("sam") && note.contains("5.2")),
        "{came}"
    );

    let link = sticker(&demo);
    let came = demo.story("by_sticker", &json!({"link": link}));
    assert!(
        texts(&came["journal"]).iter().any(|note| note.contains("Robin") && note.contains("9.1")),
        "{came}"
    );

    let came = demo.story("alarms", &none);
    assert_eq!(came["shelved"].as_array().map(Vec::len), Some(1), "{came}");

    let came = demo.story("cleanout", &none);
    assert_eq!(came["running"], "running", "{came}");
    assert!(texts(&came["cautions"]).len() >= 8, "cautions stand before amounts: {came}");
    assert!(came["step"].as_str().is_some_and(|step| step.contains("now")), "{came}");

    let came = demo.story("units", &none);
    // 10 US gal are 37.85 L (exact: 1 gal = 3.785411784 L).
    assert!(texts(&came["journal"]).iter().any(|note| note.contains("37.85")), "{came}");
    let text = came["text"].as_str().unwrap_or_default();
    assert!(text.contains(" gal") && text.contains(" gpg") && !text.contains(" mg/L\n"), "{text}");

    let came = demo.story("calculator", &none);
    // (150 · 6 − 100 · 4) / 50 = 10 %: 5 L of concentrate into 45 L of water, by volumes that add.
    let text = came["text"].as_str().unwrap_or_default();
    assert!(text.contains("45 L") && text.contains("5 L") && text.contains("10.0 %"), "{text}");

    let came = demo.story("keyboard", &none);
    assert_eq!(came["focused"].as_str(), Some("Alarms"), "{came}");

    let given = json!({"base": demo.base, "sump": SUMP});
    let screens = std::env::var_os("UPDATE_SCREENS").map(std::path::PathBuf::from);
    let came = play("looks", &given, screens.as_deref());
    assert_eq!(came["found"], json!([]), "accessibility, by axe, and what runs out of the screen");

    let came = demo.story("throttled", &none);
    println!(
        "a slow phone: {} bytes in {} requests, of use after {} ms",
        came["bytes"], came["requests"], came["ms"]
    );
    assert!(came["bytes"].as_f64().is_some_and(|bytes| bytes < 150_000.0), "{came}");
}

/// The link on the machine, as whoever has the key gets it.
fn sticker(demo: &Demo) -> String {
    let port = demo.base.rsplit_once(':').and_then(|(_, port)| port.parse().ok()).expect("a port");
    let key = format!("Authorization: Bearer {}\r\n", demo.key());
    let found = http_with(port, "GET", &format!("/sumps/{SUMP}/sticker"), &key, "");
    let found: Value = serde_json::from_str(&found.body).expect("JSON");
    found["link"].as_str().expect("a link").to_owned()
}

/// Titles of the configuration, values of a broker and people's words, each with a text that would break out.
#[test]
fn texts_of_others_are_shown_as_texts() {
    let broker = Mosquitto::start(Entrance::Open);
    let mut tables = format!(
        "\n[broker.shop]\naddress = \"127.0.0.1:{}\"\n[broker.shop.notes]\ntopic = \"hall/{{sump}}/note\"\n",
        broker.port
    );
    for (n, text) in ATTACKS.iter().enumerate() {
        let title = json!(text).to_string().replace("\\u202e", "\u{202e}");
        tables += &sump(&format!("sump-{n}")).replace("fluid =", &format!("title = {title}\nfluid ="));
        tables += &plain_probe(
            &format!("sump-{n}"),
            "t",
            &format!("broker = \"shop\"\ntopic = \"hall/sump-{n}/t\""),
        );
    }
    let installation = Installation::new(&tables);
    let daemon = installation.run();
    for text in ATTACKS {
        publish(broker.port, &["--topic", "hall/sump-0/t", "--raw", text]);
        let note = json!({"kind": "action", "text": text, "by": text});
        publish(broker.port, &["--topic", "hall/sump-0/note", "--raw", &note.to_string()]);
    }
    let given = json!({"base": format!("http://127.0.0.1:{}", daemon.port()), "sump": "sump-0"});
    let came = play("attack", &given, None);
    assert_eq!(came["dialogs"], json!([]));
    let elements = came["elements"].as_object().expect("by view");
    assert!(elements.values().all(|found| found == &json!([])), "{elements:?}");
    let (shown, past) =
        (came["shown"].as_str().unwrap_or_default(), came["past"].as_str().unwrap_or_default());
    for text in ["<script>alert(1)</script>", "<img src=x onerror=alert(2)>", "{{7*7}}${7*7}"] {
        assert!(shown.contains(text), "a title is shown as it is, {text}: {shown}");
        assert!(past.contains(text), "a note is shown as it is, {text}: {past}");
    }
}
