//! The page's certificate: the shop's own files, or one that the daemon makes for itself at its first start.
//!
//! A certificate of our own tells nobody who we are: a browser warns once, and whoever sees to the shop's devices may
//! put it among those that are trusted. It keeps passwords and codes from whoever listens in. Made anew when it has been
//! used for two years; browsers take none that holds for longer than 825 days.

use std::io;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use rcgen::{CertificateParams, DistinguishedName, DnType, KeyPair};
use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use sumpwarden_core::acquire::settings::Secret;

use crate::edge::data_files::{CERTIFICATE, CERTIFICATE_KEY};
use crate::edge::small_file;

/// Used for longer, it is made anew.
const USED_MAX: Duration = Duration::from_hours(24 * 730);
/// It holds for so many days (825 are the most a browser takes).
const HOLDS_DAYS: u64 = 820;

/// Why there is no TLS.
#[derive(Debug, thiserror::Error)]
pub enum CertificateError {
    /// A file of our own.
    #[error("{path}: {why}", path = path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        why: io::Error,
    },
    /// The certificate.
    #[error("the page's certificate: {0}")]
    Certificate(String),
    /// Its key.
    #[error("the key of the page's certificate: {0}")]
    Key(String),
    /// Our own could not be made.
    #[error("no certificate could be made: {0}")]
    Make(#[from] rcgen::Error),
}

/// From the shop's own, PEM.
///
/// # Errors
/// If there is no certificate or key in it, or they do not belong together.
pub fn of_pem(certificate: &str, key: &Secret) -> Result<Arc<ServerConfig>, CertificateError> {
    let chain: Vec<_> = CertificateDer::pem_slice_iter(certificate.as_bytes())
        .collect::<Result<_, _>>()
        .map_err(|error| CertificateError::Certificate(format!("no PEM: {error}")))?;
    if chain.is_empty() {
        return Err(CertificateError::Certificate(
            "there is none; it begins with BEGIN CERTIFICATE".to_owned(),
        ));
    }
    let private = PrivateKeyDer::from_pem_slice(key.reveal().as_bytes())
        .map_err(|error| CertificateError::Key(format!("there is none in PEM: {error}")))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .and_then(|builder| builder.with_no_client_auth().with_single_cert(chain, private))
        .map_err(|error| CertificateError::Key(format!("it does not go with the certificate: {error}")))?;
    Ok(Arc::new(config))
}

/// Our own, for these host names and addresses; made in `directory` if there is none that can be used and is young enough.
/// Where it cannot be written it is for this run only: a page without TLS is worse than a warning in every browser.
///
/// # Errors
/// If none can be made.
pub fn own(directory: &Path, names: &[String]) -> Result<Arc<ServerConfig>, CertificateError> {
    let (certificate, key) = (CERTIFICATE.of(directory), CERTIFICATE_KEY.of(directory));
    let used = std::fs::metadata(&certificate).and_then(|meta| meta.modified()).ok();
    let young = used.is_some_and(|made| made.elapsed().is_ok_and(|age| age < USED_MAX));
    let kept = || of_pem(&read(&certificate)?, &Secret::new(read(&key)?));
    if young && let Ok(config) = kept() {
        return Ok(config);
    }
    let (made, private) = make(names)?;
    // The key first: without a certificate beside it both are made anew.
    if let Err(error) = write(&key, private.reveal()).and_then(|()| write(&certificate, &made)) {
        tracing::error!(%error, "the page's certificate cannot be kept: this one is for this run only");
    }
    of_pem(&made, &private)
}

/// Our own certificate, as it lies in `directory`, PEM.
///
/// # Errors
/// If it cannot be read.
pub fn own_pem(directory: &Path) -> Result<String, CertificateError> {
    read(&CERTIFICATE.of(directory))
}

/// Names a page that listens on `address` is reached under, besides `public`.
pub fn names(address: IpAddr, public: Option<&str>) -> Vec<String> {
    let host =
        public.map(|host| host.rsplit_once(':').map_or(host, |(name, _)| name).trim_matches(['[', ']']));
    let here = rustix::system::uname().nodename().to_str().map(str::to_owned).ok();
    let own = (!address.is_unspecified()).then(|| address.to_string());
    let mut names: Vec<String> =
        host.map(str::to_owned).into_iter().chain(here).chain(own).chain(["localhost".to_owned()]).collect();
    names.dedup();
    names
}

/// A certificate and its key, PEM.
fn make(names: &[String]) -> Result<(String, Secret), CertificateError> {
    let mut params = CertificateParams::new(names.to_vec())?;
    params.distinguished_name = DistinguishedName::new();
    params.distinguished_name.push(DnType::CommonName, names.first().map_or("sumpwarden", String::as_str));
    let now = std::time::SystemTime::now();
    params.not_before = (now - Duration::from_hours(24)).into();
    params.not_after = (now + Duration::from_hours(24 * HOLDS_DAYS)).into();
    let pair = KeyPair::generate()?;
    let signed = params.self_signed(&pair)?;
    Ok((signed.pem(), Secret::new(pair.serialize_pem())))
}

fn write(path: &Path, text: &str) -> Result<(), CertificateError> {
    small_file::put(path, text.as_bytes())
        .map_err(|why| CertificateError::File { path: path.to_owned(), why })
}

fn read(path: &Path) -> Result<String, CertificateError> {
    std::fs::read_to_string(path).map_err(|why| CertificateError::File { path: path.to_owned(), why })
}

#[cfg(test)]
mod tests {
    use super::super::access::tempdir;
    use super::*;

    #[test]
    fn our_own_certificate_is_made_once_and_kept_from_others() {
        use std::os::unix::fs::MetadataExt;
        let directory = tempdir("certificate");
        let here = names("192.0.2.7".parse().unwrap(), Some("sumps.example:8480"));
        assert!(
            here.contains(&"sumps.example".to_owned()) && here.contains(&"192.0.2.7".to_owned()),
            "{here:?}"
        );
        own(&directory, &here).unwrap();
        let first = std::fs::read(CERTIFICATE.of(&directory)).unwrap();
        own(&directory, &here).unwrap();
        assert_eq!(std::fs::read(CERTIFICATE.of(&directory)).unwrap(), first, "the same at the next start");
        assert_eq!(std::fs::metadata(CERTIFICATE_KEY.of(&directory)).unwrap().mode() & 0o7777, 0o600);
        std::fs::write(CERTIFICATE_KEY.of(&directory), "damaged").unwrap();
        own(&directory, &here).unwrap();
        assert_ne!(std::fs::read(CERTIFICATE.of(&directory)).unwrap(), first, "made anew");
        std::fs::remove_dir_all(&directory).unwrap();
        own(&directory, &here).expect("for this run, where nothing can be written");
    }

    #[test]
    fn a_certificate_and_a_key_that_do_not_belong_together_are_told() {
        let directory = tempdir("certificates");
        let pem = |name: &str| {
            let place = directory.join(name);
            std::fs::create_dir(&place).unwrap();
            own(&place, &["localhost".to_owned()]).unwrap();
            [CERTIFICATE, CERTIFICATE_KEY].map(|file| std::fs::read_to_string(file.of(&place)).unwrap())
        };
        let ([one, key], [_, other]) = (pem("one"), pem("other"));
        of_pem(&one, &Secret::new(key.clone())).unwrap();
        for (certificate, private, says) in [
            (&one, &other, "does not go with the certificate"),
            (&key, &key, "there is none; it begins with BEGIN CERTIFICATE"),
            (&one, &one, "there is none in PEM"),
        ] {
            let error = of_pem(certificate, &Secret::new(private.clone())).unwrap_err().to_string();
            assert!(error.contains(says) && !error.contains("BEGIN PRIVATE"), "{error}");
        }
        std::fs::remove_dir_all(&directory).unwrap();
    }
}
