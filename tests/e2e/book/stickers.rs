//! The stickers, read by another decoder.

use std::fs;
use std::process::Command;

use sumpwarden::config;
use sumpwarden::stickers::{StickerError, sheet};
use sumpwarden_core::model::Name;
use sumpwarden_tests::process::{run, tool};

use super::filled::shop;
use super::text;

/// What zbar reads in each code of a sheet, drawn by librsvg; in the order they stand there.
fn decoded(html: &str, name: &str) -> Vec<String> {
    let pieces = html.split("<svg").skip(1);
    let svgs = pieces.map(|piece| format!("<svg{}</svg>", piece.split("</svg>").next().expect("one")));
    svgs.enumerate()
        .map(|(place, svg)| {
            let path = |ending| shop().path(&format!("{name}-{place}.{ending}"));
            fs::write(path("svg"), svg).expect("writable");
            run(Command::new(tool("rsvg-convert"))
                .args(["--width", "400", "--output"])
                .arg(path("png"))
                .arg(path("svg")));
            let read = run(Command::new(tool("zbarimg")).args(["--quiet", "--raw"]).arg(path("png")));
            read.trim_end().to_owned()
        })
        .collect()
}

#[test]
fn another_decoder_reads_the_links() {
    let file = shop().path("stickers.html");
    let written = shop().command("labels", &["--output", file.to_str().expect("text")]);
    assert_eq!(written.status.code(), Some(0), "{}", text(&written));
    let html = fs::read_to_string(&file).expect("written");
    let sumps = &shop().settings.engine.sumps;
    let links: Vec<String> =
        sumps.iter().map(|sump| format!("https://sumps.example/#/log/{}", sump.name)).collect();
    assert!(links.len() > 1);
    assert_eq!(decoded(&html, "plain"), links);
    assert!(!html.contains("<script") && !html.contains("src="));

    let code = |sump: &Name| Some(format!("{}-k7QxW2m9RtZ4", sump.as_str().len()));
    let html = sheet(&shop().settings, code).expect("it has an address");
    let links: Vec<String> = sumps
        .iter()
        .map(|sump| format!("https://sumps.example/#/log/{}/{}", sump.name, code(&sump.name).expect("one")))
        .collect();
    assert_eq!(decoded(&html, "coded"), links);
}

#[test]
fn without_an_address_there_are_none() {
    let mut settings = shop().settings.clone();
    settings.web.public_url = None;
    let refused = sheet(&settings, |_| None).expect_err("nobody knows the address");
    assert_eq!(refused, StickerError::NoUrl);
    settings.web.public_url = Some(format!("https://{}.example", "a".repeat(3_000)));
    assert!(matches!(sheet(&settings, |_| None), Err(StickerError::TooLong { .. })));

    let bare = shop().path("bare");
    fs::create_dir_all(&bare).expect("writable");
    let toml = fs::read_to_string(&shop().config).expect("there").replace("public_url", "# public_url");
    let file = bare.join("sumpwarden.toml");
    fs::write(&file, toml).expect("writable");
    assert!(config::load_with(&file, &[]).is_ok());
    let mut command = Command::new(sumpwarden_tests::gateway::program());
    command.args(["labels", "--output"]).arg(bare.join("stickers.html")).arg("--config").arg(&file);
    let refused = command.output().expect("it can be started");
    assert_eq!(refused.status.code(), Some(78), "{}", text(&refused));
    assert!(
        text(&refused).contains("public_url = \"https://sumps.example\" under [web]"),
        "{}",
        text(&refused)
    );
}
