//! Encryption with a certificate that the server makes for itself.

use std::net::Ipv4Addr;
use std::path::Path;
use std::sync::Arc;

use rcgen::{CertificateParams, KeyPair, PKCS_ECDSA_P256_SHA256};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::{ServerConfig, SupportedCipherSuite};

use crate::report::files::write_durably;
use crate::serve::ServeError;

/// Phones refuse certificates that are valid for more than 398 days (as their makers ask of public ones; from memory).
const DAYS: i64 = 390;

/// What speaks TLS, and the certificate's SHA-256 fingerprint as browsers show it.
pub struct Tls {
    pub acceptor: TlsAcceptor,
    pub fingerprint: String,
}

/// The certificate kept in `folder` for `address`; a new one when there is none or it is getting old.
///
/// # Errors
/// [`ServeError`] when it can't be made, kept or read.
pub fn of(folder: &Path, address: Ipv4Addr) -> Result<Tls, ServeError> {
    let (cert_path, key_path) =
        (folder.join(format!("certificate-{address}.pem")), folder.join(format!("key-{address}.pem")));
    if !fresh(&cert_path) || !key_path.exists() {
        make(address, &cert_path, &key_path)?;
    }
    let certificate = CertificateDer::from_pem_file(&cert_path).map_err(other)?;
    let key = PrivateKeyDer::from_pem_file(&key_path).map_err(other)?;
    let fingerprint = fingerprint(&certificate);
    let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(other)?
        .with_no_client_auth()
        .with_single_cert(vec![certificate], key)
        .map_err(other)?;
    Ok(Tls { acceptor: TlsAcceptor::from(Arc::new(config)), fingerprint })
}

fn other(error: impl std::fmt::Display) -> ServeError {
    ServeError::Stopped(std::io::Error::other(format!("the certificate: {error}")))
}

fn fresh(path: &Path) -> bool {
    let age = std::fs::metadata(path).and_then(|m| m.modified()).ok().and_then(|made| made.elapsed().ok());
    age.is_some_and(|age| age.as_secs() < (DAYS as u64 - 30) * 24 * 3600)
}

fn make(address: Ipv4Addr, certificate: &Path, key: &Path) -> Result<(), ServeError> {
    let pair = KeyPair::generate_for(&PKCS_ECDSA_P256_SHA256).map_err(other)?;
    let mut params = CertificateParams::new(vec![address.to_string(), "localhost".to_owned()]).map_err(other)?;
    params.distinguished_name.push(rcgen::DnType::CommonName, "lobline, this class");
    let today = jiff::tz::TimeZone::UTC.to_datetime(jiff::Timestamp::now()).date();
    let date = |days: i64| {
        let day = today.checked_add(jiff::Span::new().days(days)).unwrap_or(today);
        rcgen::date_time_ymd(i32::from(day.year()), day.month() as u8, day.day() as u8)
    };
    (params.not_before, params.not_after) = (date(-1), date(DAYS));
    let made = params.self_signed(&pair).map_err(other)?;
    write_durably(key, pair.serialize_pem().as_bytes()).map_err(other)?;
    write_durably(certificate, made.pem().as_bytes()).map_err(other)
}

fn fingerprint(certificate: &CertificateDer<'_>) -> String {
    let SupportedCipherSuite::Tls13(suite) = ring::cipher_suite::TLS13_AES_128_GCM_SHA256 else { return String::new() };
    let hash = suite.common.hash_provider.hash(certificate);
    hash.as_ref().iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(":")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_certificate_is_made_once_and_kept() {
        let folder = tempfile::tempdir().unwrap();
        let address = Ipv4Addr::new(192, 0, 2, 7);
        let first = of(folder.path(), address).unwrap().fingerprint;
        assert_eq!(of(folder.path(), address).unwrap().fingerprint, first);
        assert_eq!(first.split(':').count(), 32);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let key = std::fs::metadata(folder.path().join("key-192.0.2.7.pem")).unwrap();
            assert_eq!(
                key.permissions().mode() & 0o777,
                0o600,
                "nobody else may read the key, whatever the folder lets through"
            );
        }
        assert_ne!(of(folder.path(), Ipv4Addr::new(192, 0, 2, 8)).unwrap().fingerprint, first);
    }
}
