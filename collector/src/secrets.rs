//! Secrets and certificates from files. Never in messages or logs; a word when others on this machine can read them.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore, ServerConfig};

/// Why a secret or certificate can't be used.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    #[error("{} can't be read", file.display())]
    Read { file: PathBuf, source: io::Error },
    #[error("{} is empty", file.display())]
    Empty { file: PathBuf },
    #[error("{} holds no {wanted} in PEM form", file.display())]
    NoPem { file: PathBuf, wanted: &'static str },
    #[error("this machine has no certificates of its own to check a broker by; name one with `ca_file`")]
    NoNativeCertificates,
    #[error("TLS can't be set up")]
    Tls(#[from] rustls::Error),
}

/// A password: the file's first line. Says so in the log when others on this machine can read it.
///
/// # Errors
/// [`SecretError`] when the file can't be read or is empty.
pub fn password(file: &Path) -> Result<String, SecretError> {
    let failed = |source| SecretError::Read {
        file: file.to_owned(),
        source,
    };
    warn_if_others_can_read(file).map_err(failed)?;
    let text = fs_err::read_to_string(file).map_err(failed)?;
    let password = text.lines().next().unwrap_or_default();
    if password.is_empty() {
        return Err(SecretError::Empty {
            file: file.to_owned(),
        });
    }
    Ok(password.to_owned())
}

#[cfg(unix)]
fn warn_if_others_can_read(file: &Path) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    const GROUP_AND_WORLD: u32 = 0o077;
    if fs_err::metadata(file)?.permissions().mode() & GROUP_AND_WORLD != 0 {
        tracing::warn!(file = %file.display(), hint = "chmod 600 makes it readable by its owner only", "others on this machine can read a secret");
    }
    Ok(())
}

#[cfg(not(unix))]
fn warn_if_others_can_read(_: &Path) -> io::Result<()> {
    Ok(())
}

fn certificates(file: &Path) -> Result<Vec<CertificateDer<'static>>, SecretError> {
    let bytes = fs_err::read(file).map_err(|source| SecretError::Read {
        file: file.to_owned(),
        source,
    })?;
    let found: Vec<_> = rustls_pemfile::certs(&mut &*bytes)
        .collect::<Result<_, _>>()
        .map_err(|source| SecretError::Read {
            file: file.to_owned(),
            source,
        })?;
    if found.is_empty() {
        return Err(SecretError::NoPem {
            file: file.to_owned(),
            wanted: "certificate",
        });
    }
    Ok(found)
}

fn key(file: &Path) -> Result<PrivateKeyDer<'static>, SecretError> {
    let failed = |source| SecretError::Read {
        file: file.to_owned(),
        source,
    };
    warn_if_others_can_read(file).map_err(failed)?;
    let bytes = fs_err::read(file).map_err(failed)?;
    rustls_pemfile::private_key(&mut &*bytes)
        .map_err(failed)?
        .ok_or_else(|| SecretError::NoPem {
            file: file.to_owned(),
            wanted: "private key",
        })
}

/// TLS towards a broker: checked by the given CA, or by the system's.
///
/// # Errors
/// [`SecretError`] when the CA can't be read, or this machine has no certificates of its own.
pub fn client_tls(ca_file: Option<&Path>) -> Result<Arc<ClientConfig>, SecretError> {
    let mut roots = RootCertStore::empty();
    match ca_file {
        Some(file) => {
            for certificate in certificates(file)? {
                roots.add(certificate)?;
            }
        }
        None => {
            roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
            if roots.is_empty() {
                return Err(SecretError::NoNativeCertificates);
            }
        }
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(Arc::new(config))
}

/// TLS of a listener of ours.
///
/// # Errors
/// [`SecretError`] when certificate or key can't be read or do not belong together.
pub fn server_tls(certificate_file: &Path, key_file: &Path) -> Result<Arc<ServerConfig>, SecretError> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_no_client_auth()
        .with_single_cert(certificates(certificate_file)?, key(key_file)?)?;
    Ok(Arc::new(config))
}

/// Whether two secrets are equal, in a time that does not tell where they differ.
pub(crate) fn is_equal(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |difference, (a, b)| difference | (a ^ b)) == 0
}
