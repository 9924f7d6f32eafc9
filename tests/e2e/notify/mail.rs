//! Mail to aiosmtpd: plain, with STARTTLS and with TLS; what the server refuses for now, and for good.

use std::process::Command;

use serde_json::Value;
use sumpwarden_core::acquire::settings::Secret;
use sumpwarden_core::notify::settings::{MailSecurity, MailSettings, Way};
use sumpwarden_tests::broker::Certificates;
use sumpwarden_tests::process::{Peer, TempDir, free_port, peer_script, python};

use super::{deliver, entry, was_changed};

struct Sink {
    port: u16,
    peer: Peer,
}

impl Sink {
    fn start(arguments: &[&str]) -> Self {
        let port = free_port();
        let mut command = Command::new(python());
        command.arg(peer_script("mail_sink.py")).args(["--port", &port.to_string()]).args(arguments);
        let mut peer = Peer::start("aiosmtpd", &mut command);
        peer.wait_for_port(port);
        Self { port, peer }
    }

    fn mails(&self) -> Vec<Value> {
        self.peer.output().iter().filter_map(|line| serde_json::from_str(line).ok()).collect()
    }

    fn settings(&self, security: MailSecurity) -> MailSettings {
        MailSettings {
            host: "localhost".to_owned(),
            port: self.port,
            security,
            user: None,
            from: "Sumps of hall 2 <sumps@shop.example>".to_owned(),
            to: vec!["setter@shop.example".to_owned(), "lead@shop.example".to_owned()],
            ca_file: None,
        }
    }
}

fn header(mail: &Value, name: &str) -> Vec<String> {
    let headers = mail["headers"].as_array().expect("a list").iter();
    let named = headers.filter(|one| one[0].as_str().is_some_and(|one| one.eq_ignore_ascii_case(name)));
    named.map(|one| one[1].as_str().expect("text").to_owned()).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_mail_says_everything_and_nothing_gets_out_of_its_line() {
    let sink = Sink::start(&["--answers", "451"]);
    let way = Way::Mail(sink.settings(MailSecurity::None));
    let (counts, status) = deliver(way, vec![entry(1)]).await;
    assert_eq!((counts.delivered, counts.failed), (1, 0));
    assert!(status.delivered_at.is_some());
    let mails = sink.mails();
    assert_eq!(mails.len(), 3, "put off once, then taken for each: {mails:?}");
    let mail = &mails[1];
    let to: Vec<_> = mails[1..].iter().map(|mail| mail["to"][0].as_str().expect("one")).collect();
    assert_eq!(to, ["setter@shop.example", "lead@shop.example"]);
    assert_eq!(header(mail, "bcc"), [""; 0], "no header out of a title");
    let subject = header(mail, "subject");
    assert!(subject[0].starts_with("hall-2: Lathe 1  Bcc: other@shop.example"), "{subject:?}");
    assert_eq!(header(&mails[0], "message-id"), header(mail, "message-id"), "the same rows, the same id");
    assert!(header(mail, "message-id")[0].ends_with("@shop.example>"));
    let text = mail["text"].as_str().expect("text");
    for part in [
        "hardness 25.2 gpg, high limit 23.4 gpg",
        "between 24.0 gpg and 26.4 gpg nine times in ten; past the limit with 93 %",
        "Do now: Test hardness; top up with low-mineral water.",
        "By when: within the day, by Mon 2 Mar 02:00",
        "Mind: ",
    ] {
        assert!(text.contains(part), "{part} in {text}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn tls_from_the_first_byte_and_after_starttls_with_a_password() {
    let made = Certificates::make("localhost");
    let (certificate, key) = (made.file("server.pem"), made.file("server.key"));
    for (tls, security) in [("starttls", MailSecurity::StartTls), ("wrapped", MailSecurity::Tls)] {
        let sink = Sink::start(&["--tls", tls, "--certificate", &certificate, "--key", &key, "--auth"]);
        let user = Some(("sumps".to_owned(), Secret::new("right".to_owned())));
        let settings = MailSettings { ca_file: Some(made.file("ca.pem")), user, ..sink.settings(security) };
        let (counts, _) = deliver(Way::Mail(settings.clone()), vec![entry(1), entry(2)]).await;
        assert_eq!(counts.delivered, 2, "{tls}");
        assert!(sink.mails().iter().all(|mail| mail["user"] == "sumps"), "{:?}", sink.mails());

        let wrong = Some(("sumps".to_owned(), Secret::new("wrong-password".to_owned())));
        let (counts, status) =
            deliver(Way::Mail(MailSettings { user: wrong, ..settings }), vec![entry(1)]).await;
        assert_eq!(counts.failed, 1, "{tls}");
        let error = status.error.expect("why");
        assert!(error.contains("535") && !error.contains("wrong-password"), "{error}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refusal_for_good_fails_the_row_and_the_next_goes() {
    let sink = Sink::start(&["--answers", "550"]);
    let alone = vec!["setter@shop.example".to_owned()];
    let way = Way::Mail(MailSettings { to: alone, ..sink.settings(MailSecurity::None) });
    let (counts, _) = deliver(way.clone(), vec![entry(1)]).await;
    assert_eq!((counts.delivered, counts.failed), (0, 1));
    let (counts, _) = deliver(way, vec![entry(1)]).await;
    assert_eq!(counts.delivered, 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_mailbox_that_is_gone_keeps_the_message_from_nobody_else() {
    let sink = Sink::start(&["--answers", "550"]);
    let (counts, _) = deliver(Way::Mail(sink.settings(MailSecurity::None)), vec![entry(1)]).await;
    assert_eq!((counts.delivered, counts.failed), (1, 0));
    let mails = sink.mails();
    let taken: Vec<_> =
        mails.iter().filter(|mail| mail["answer"] == "250").map(|mail| &mail["to"][0]).collect();
    assert_eq!(taken, ["lead@shop.example"]);
}

/// A server without TLS is never told anything where TLS is asked for.
#[tokio::test(flavor = "multi_thread")]
async fn nothing_goes_out_in_the_clear_where_tls_is_asked_for() {
    let sink = Sink::start(&[]);
    let way = Way::Mail(sink.settings(MailSecurity::StartTls));
    let waiting = tokio::time::timeout(std::time::Duration::from_secs(4), deliver(way, vec![entry(1)])).await;
    assert!(waiting.is_err(), "it keeps trying");
    assert_eq!(sink.mails().len(), 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_password_that_was_changed_is_read_anew() {
    let made = Certificates::make("localhost");
    let (certificate, key) = (made.file("server.pem"), made.file("server.key"));
    let sink = Sink::start(&["--tls", "starttls", "--certificate", &certificate, "--key", &key, "--auth"]);
    let folder = TempDir::new("mail");
    let password = was_changed(folder.path(), "wrong", "right\r\n");
    let user = Some(("sumps".to_owned(), password));
    let ca_file = Some(made.file("ca.pem"));
    let settings = MailSettings { ca_file, user, ..sink.settings(MailSecurity::StartTls) };
    let (counts, status) = deliver(Way::Mail(settings), vec![entry(1), entry(2)]).await;
    assert_eq!((counts.delivered, counts.failed), (2, 0), "{status:?}");
}
