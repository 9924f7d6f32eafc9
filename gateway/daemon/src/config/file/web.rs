//! `[web]`: the page and its interface.

use schemars::JsonSchema;
use serde::Deserialize;

/// The page and its interface.
#[derive(Clone, PartialEq, Default, Debug, Deserialize, JsonSchema)]
pub struct Web {
    /// Address and port to listen on. Default 127.0.0.1:8480.
    pub listen: Option<String>,
    /// File with the key that lets a program write notes. Default `note-key` in the data directory, made at first start.
    pub note_key_file: Option<String>,
    /// Address under which the page is reached from outside, for links in messages. Without it they carry none.
    pub public_url: Option<String>,
    /// The page's own TLS. Default off.
    pub tls: Option<PageTls>,
    /// Instead of `tls`: PEM file with the page's certificate and those that vouch for it.
    pub certificate_file: Option<String>,
    /// PEM file with the certificate's private key.
    pub key_file: Option<String>,
    /// Who may look. Default open.
    pub reads: Option<Reads>,
    /// Address of a server that stands before the page; what it says of who asks is believed.
    pub proxy: Option<String>,
}

/// Whether the page makes a certificate for itself.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum PageTls {
    /// None, unless files are given.
    Off,
    /// Its own certificate.
    Own,
}

/// Who may look at the page.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Reads {
    /// Whoever reaches it.
    Open,
    /// Whoever is logged in.
    Login,
}
