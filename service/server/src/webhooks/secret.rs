//! Secrets and signatures by Standard Webhooks 1.0: HMAC-SHA256 over `id.timestamp.body`.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit as _, Mac as _};
use sha2::Sha256;

/// What a secret begins with when it is shown.
const PREFIX: &str = "whsec_";
/// Bytes of a key: the specification wants 24 to 64.
const BYTES: usize = 32;

/// A new secret; nothing where the machine gives no random bytes.
pub fn fresh() -> Option<String> {
    let mut key = [0_u8; BYTES];
    getrandom::fill(&mut key).ok()?;
    Some(format!("{PREFIX}{}", STANDARD.encode(key)))
}

/// The header `webhook-signature`: one signature for each secret.
pub fn signature(secrets: &[String], id: &str, seconds: i64, body: &str) -> String {
    let one = |secret: &String| {
        let key = STANDARD.decode(secret.strip_prefix(PREFIX).unwrap_or(secret)).ok()?;
        let mut mac = Hmac::<Sha256>::new_from_slice(&key).ok()?;
        mac.update(format!("{id}.{seconds}.{body}").as_bytes());
        Some(format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes())))
    };
    secrets.iter().filter_map(one).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    /// The test vector that the reference implementations of Standard Webhooks share (their test of `sign`).
    #[test]
    fn the_published_vector_is_signed_as_published() {
        let secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw".to_owned();
        let (id, body) = ("msg_p5jXN8AQM9LWM0D4loKWxJek", "{\"test\": 2432232314}");
        let expected = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=";
        assert_eq!(signature(std::slice::from_ref(&secret), id, 1_614_265_330, body), expected);
        let two = signature(&[secret.clone(), secret], id, 1_614_265_330, body);
        assert_eq!(two, format!("{expected} {expected}"));
    }

    #[test]
    fn secrets_are_of_the_form_and_never_the_same() {
        let (one, other) = (fresh().unwrap(), fresh().unwrap());
        assert_ne!(one, other);
        let key = STANDARD.decode(one.strip_prefix("whsec_").unwrap()).unwrap();
        assert_eq!(key.len(), 32);
    }
}
