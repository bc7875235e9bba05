//! TLS 1.3 between devices that know each other by their certificates' fingerprints.

use std::sync::Arc;

use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, ring, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, PrivateKeyDer, PrivatePkcs8KeyDer, ServerName, UnixTime};
use rustls::server::danger::{ClientCertVerified, ClientCertVerifier};
use rustls::{CertificateError, Error};
use rustls::{ClientConfig, DigitallySignedStruct, DistinguishedName, ServerConfig, SignatureScheme};

use super::identity::{Fingerprint, Identity};

/// What devices speak to each other, as the connection says it (ALPN); another version has another name.
pub const PROTOCOL: &[u8] = b"sheetloft/1";

fn provider() -> Arc<CryptoProvider> {
    Arc::new(ring::default_provider())
}

fn shown(identity: &Identity) -> (Vec<CertificateDer<'static>>, PrivateKeyDer<'static>) {
    let key = PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(identity.key.clone()));
    (vec![CertificateDer::from(identity.certificate.clone())], key)
}

/// Whether a key and a certificate are such, and belong together.
pub(super) fn is_usable(identity: &Identity) -> bool {
    for_screens(identity).is_ok()
}

/// For devices: they must show a certificate too. Which ones are let in is for whoever answers them to say.
pub fn for_devices(identity: &Identity) -> Result<Arc<ServerConfig>, Error> {
    let (chain, key) = shown(identity);
    let mut config = ServerConfig::builder_with_provider(provider())
        .with_protocol_versions(&[&rustls::version::TLS13])?
        .with_client_cert_verifier(Arc::new(Known { pin: None }))
        .with_single_cert(chain, key)?;
    config.alpn_protocols = vec![PROTOCOL.to_vec()];
    Ok(Arc::new(config))
}

/// For browsers: they show nothing.
pub fn for_screens(identity: &Identity) -> Result<Arc<ServerConfig>, Error> {
    let (chain, key) = shown(identity);
    let mut config = ServerConfig::builder_with_provider(provider())
        .with_safe_default_protocol_versions()?
        .with_no_client_auth()
        .with_single_cert(chain, key)?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(Arc::new(config))
}

/// For calling another device: only the one with this certificate, or, where it is not known yet, any.
pub fn for_calling(identity: &Identity, pin: Option<Fingerprint>) -> Result<Arc<ClientConfig>, Error> {
    let (chain, key) = shown(identity);
    let mut config = ClientConfig::builder_with_provider(provider())
        .with_protocol_versions(&[&rustls::version::TLS13])?
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(Known { pin }))
        .with_client_auth_cert(chain, key)?;
    config.alpn_protocols = vec![PROTOCOL.to_vec()];
    Ok(Arc::new(config))
}

/// Proof that the other side has the key of the certificate that it shows, and, with a pin, that it is that one.
#[derive(Debug)]
struct Known {
    pin: Option<Fingerprint>,
}

impl Known {
    fn check(&self, certificate: &CertificateDer<'_>) -> Result<(), Error> {
        match self.pin {
            Some(pin) if Fingerprint::of(certificate) != pin => {
                Err(CertificateError::ApplicationVerificationFailure.into())
            }
            _ => Ok(()),
        }
    }

    fn signature(
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        verify_tls13_signature(
            message,
            certificate,
            signed,
            &ring::default_provider().signature_verification_algorithms,
        )
    }
}

fn schemes() -> Vec<SignatureScheme> {
    ring::default_provider().signature_verification_algorithms.supported_schemes()
}

/// What both sides check alike: that whoever shows a certificate has its key. Only TLS 1.3 is spoken between devices.
macro_rules! by_signature {
    () => {
        fn verify_tls12_signature(
            &self,
            _: &[u8],
            _: &CertificateDer<'_>,
            _: &DigitallySignedStruct,
        ) -> Result<HandshakeSignatureValid, Error> {
            too_old()
        }

        fn verify_tls13_signature(
            &self,
            message: &[u8],
            certificate: &CertificateDer<'_>,
            signed: &DigitallySignedStruct,
        ) -> Result<HandshakeSignatureValid, Error> {
            Self::signature(message, certificate, signed)
        }

        fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
            schemes()
        }
    };
}

fn too_old() -> Result<HandshakeSignatureValid, Error> {
    Err(Error::General("TLS 1.3 is needed".to_owned()))
}

impl ServerCertVerifier for Known {
    fn verify_server_cert(
        &self,
        certificate: &CertificateDer<'_>,
        _: &[CertificateDer<'_>],
        _: &ServerName<'_>,
        _: &[u8],
        _: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        self.check(certificate).map(|()| ServerCertVerified::assertion())
    }

    by_signature!();
}

impl ClientCertVerifier for Known {
    fn root_hint_subjects(&self) -> &[DistinguishedName] {
        &[]
    }

    fn verify_client_cert(
        &self,
        certificate: &CertificateDer<'_>,
        _: &[CertificateDer<'_>],
        _: UnixTime,
    ) -> Result<ClientCertVerified, Error> {
        self.check(certificate).map(|()| ClientCertVerified::assertion())
    }

    by_signature!();
}
