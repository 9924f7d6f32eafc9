//! The way to the broker: TCP, TLS where it is asked for, the sieve on top.
//!
//! TLS is rustls with ring. The files are read at every attempt, so a renewed certificate needs no restart; a file that
//! cannot be read is a failed attempt with its reason, never a plain connection.

use std::io;
use std::path::Path;
use std::sync::Arc;

use rumqttc::tokio_rustls::TlsConnector;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use sumpwarden_core::acquire::settings::TlsSettings;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;

use super::sieve::{Mark, Sieve};

/// Where to, and how.
#[derive(Clone, Debug)]
pub(super) struct Target {
    pub(super) host: String,
    pub(super) port: u16,
    pub(super) tls: Option<TlsSettings>,
    pub(super) packet_bytes_max: usize,
    pub(super) mark: Mark,
}

impl Target {
    /// One attempt.
    pub(super) async fn connect(self) -> io::Result<Sieve<Box<dyn Wire>>> {
        let socket = TcpStream::connect((self.host.as_str(), self.port)).await?;
        socket.set_nodelay(true)?;
        let wire: Box<dyn Wire> = match &self.tls {
            None => Box::new(socket),
            Some(tls) => {
                let name = ServerName::try_from(self.host.clone())
                    .map_err(|_| told(format!("{:?} is no name a certificate can be for", self.host)))?;
                let connector = TlsConnector::from(Arc::new(client_config(tls)?));
                Box::new(connector.connect(name, socket).await?)
            }
        };
        Ok(Sieve::new(wire, self.packet_bytes_max, self.mark))
    }
}

/// What rustls is told: whom to trust and who we are.
fn client_config(settings: &TlsSettings) -> io::Result<ClientConfig> {
    let roots = match &settings.ca_file {
        Some(file) => own_roots(file)?,
        None => system_roots()?,
    };
    let builder = ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(io::Error::other)?
        .with_root_certificates(roots);
    match &settings.client {
        None => Ok(builder.with_no_client_auth()),
        Some((certificate_file, key_file)) => {
            let chain = certificates(certificate_file)?;
            let key = PrivateKeyDer::from_pem_file(Path::new(key_file))
                .map_err(|e| told(format!("{key_file}: no private key in PEM can be read from it ({e})")))?;
            builder
                .with_client_auth_cert(chain, key)
                .map_err(|e| told(format!("{certificate_file} and {key_file} do not go together ({e})")))
        }
    }
}

fn own_roots(file: &str) -> io::Result<RootCertStore> {
    let mut roots = RootCertStore::empty();
    for certificate in certificates(file)? {
        roots
            .add(certificate)
            .map_err(|e| told(format!("{file}: a certificate in it cannot be used ({e})")))?;
    }
    Ok(roots)
}

fn system_roots() -> io::Result<RootCertStore> {
    let mut roots = RootCertStore::empty();
    let found = rustls_native_certs::load_native_certs();
    roots.add_parsable_certificates(found.certs);
    if roots.is_empty() {
        return Err(told(
            "this machine trusts no certificate authority: install its package of authorities, or name a ca_file"
                .to_owned(),
        ));
    }
    Ok(roots)
}

fn certificates(file: &str) -> io::Result<Vec<CertificateDer<'static>>> {
    let found = CertificateDer::pem_file_iter(Path::new(file))
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|e| told(format!("{file}: no certificates in PEM can be read from it ({e})")))?;
    if found.is_empty() {
        return Err(told(format!("{file}: there is no certificate in it (PEM wanted)")));
    }
    Ok(found)
}

/// A reason that is already in words.
fn told(words: String) -> io::Error {
    io::Error::other(words)
}

/// A connection, with or without TLS.
pub(super) trait Wire: AsyncRead + AsyncWrite + Send + Sync + Unpin {}

impl<T: AsyncRead + AsyncWrite + Send + Sync + Unpin> Wire for T {}
