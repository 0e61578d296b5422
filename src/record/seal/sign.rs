//! A signature with the person's own key, in the form that OpenSSH writes and checks.

use ssh_key::{Algorithm, HashAlg, LineEnding, PrivateKey, PublicKey, SshSig};

/// What the signature is for; OpenSSH's `-n`.
pub const NAMESPACE: &str = "podfall-record";

/// Why there is no signature.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SignError {
    /// Not a key.
    #[error("it is not a private key in OpenSSH's form; ssh-keygen -t ed25519 makes one")]
    Key {
        /// What the reader said.
        #[source]
        source: ssh_key::Error,
    },
    /// A key with a passphrase.
    #[error(
        "the key has a passphrase, which podfall does not ask for; leave --sign away, then sign the bundle with: \
         ssh-keygen -Y sign -n podfall-record -f KEY seal.sha256"
    )]
    Passphrase,
    /// A key of another kind.
    #[error(
        "the key is {algorithm}; podfall signs with ed25519 (ssh-keygen -t ed25519 makes such a key)"
    )]
    Kind {
        /// Which kind.
        algorithm: String,
    },
    /// Signing failed.
    #[error("the seal could not be signed")]
    Sign {
        /// What the library said.
        #[source]
        source: ssh_key::Error,
    },
}

/// Signs bytes with an Ed25519 key in OpenSSH's form.
///
/// # Errors
/// [`SignError`].
///
/// # Source
/// OpenSSH, PROTOCOL.sshsig; RFC 8032 (Ed25519), RFC 8709.
pub fn sign(key: &[u8], message: &[u8]) -> Result<String, SignError> {
    let key = PrivateKey::from_openssh(key).map_err(|source| SignError::Key { source })?;
    if key.is_encrypted() {
        return Err(SignError::Passphrase);
    }
    if key.algorithm() != Algorithm::Ed25519 {
        return Err(SignError::Kind {
            algorithm: key.algorithm().to_string(),
        });
    }
    SshSig::sign(&key, NAMESPACE, HashAlg::Sha512, message)
        .and_then(|signature| signature.to_pem(LineEnding::LF))
        .map_err(|source| SignError::Sign { source })
}

/// What a signature says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Signed {
    /// It is right, and was made with the key of this fingerprint.
    By {
        /// `SHA256:…`, as OpenSSH shows it.
        fingerprint: String,
        /// The public key on one line.
        public_key: String,
    },
    /// It does not belong to these bytes, or was damaged.
    Wrong,
    /// It was made with a kind of key that is not checked here.
    Unknown {
        /// Which.
        algorithm: String,
    },
}

/// Checks a signature over bytes.
pub fn signed(signature: &[u8], message: &[u8]) -> Signed {
    let Ok(read) = SshSig::from_pem(signature) else {
        return Signed::Wrong;
    };
    // Blanks and line ends that a reader passes over would let a changed byte through.
    let canonical = read.to_pem(LineEnding::LF).unwrap_or_default();
    if canonical.trim_end().as_bytes() != signature.trim_ascii_end()
        || signature.len() > canonical.len() + 2
    {
        return Signed::Wrong;
    }
    if read.algorithm() != Algorithm::Ed25519 {
        return Signed::Unknown {
            algorithm: read.algorithm().to_string(),
        };
    }
    let key = PublicKey::from(read.public_key().clone());
    match key.verify(NAMESPACE, message, &read) {
        Ok(()) => Signed::By {
            fingerprint: key.fingerprint(HashAlg::Sha256).to_string(),
            public_key: key.to_openssh().unwrap_or_default(),
        },
        Err(_) => Signed::Wrong,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Made by OpenSSH 9.2: `ssh-keygen -Y sign -n podfall-record`, with a key made for this test and thrown away.
    const BY_OPENSSH: &str = "\
-----BEGIN SSH SIGNATURE-----
U1NIU0lHAAAAAQAAADMAAAALc3NoLWVkMjU1MTkAAAAgIO70QNIXslxvmC10FjA9nvhxOg
Tk9/hRD5T35XZxVLsAAAAOcG9kZmFsbC1yZWNvcmQAAAAAAAAABnNoYTUxMgAAAFMAAAAL
c3NoLWVkMjU1MTkAAABAOxnNIwgHZ3wlS5FTfXEA6mJ07nZfhvvfcbd+zl18AMerX+M44k
x0Ey5kIBDDN9oTFWBJv8pyUx1rg8sFKT/CAQ==
-----END SSH SIGNATURE-----
";
    const ITS_KEY: &str =
        "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAICDu9EDSF7Jcb5gtdBYwPZ74cToE5Pf4UQ+U9+V2cVS7";
    const MESSAGE: &[u8] = b"podfall record test message\n";

    #[test]
    fn a_signature_of_openssh_is_right_and_any_byte_of_it_counts() {
        match signed(BY_OPENSSH.as_bytes(), MESSAGE) {
            Signed::By { public_key, .. } => assert_eq!(public_key.trim(), ITS_KEY),
            other => panic!("{other:?}"),
        }
        for at in 0..BY_OPENSSH.len() {
            let mut changed = BY_OPENSSH.as_bytes().to_vec();
            changed[at] ^= 1;
            assert!(
                !matches!(signed(&changed, MESSAGE), Signed::By { .. }),
                "byte {at}"
            );
        }
        assert_eq!(
            signed(BY_OPENSSH.as_bytes(), b"podfall record test message"),
            Signed::Wrong
        );
    }
}
