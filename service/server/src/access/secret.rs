//! Secrets: made from the operating system's random numbers, kept as digests, compared in constant time.
//!
//! A token reads `condyle_ID_SECRET`: 16 hex digits that name it and 64 that nobody else knows. The first word lets
//! those who look for leaked secrets find it.

use condyle_core::intake::file_digest;
use subtle::ConstantTimeEq as _;

use crate::problem::ApiError;

const FIRST: &str = "condyle";
const ID_BYTES: usize = 8;
const SECRET_BYTES: usize = 32;

/// A new secret. Only the digest is ever stored.
#[derive(Clone, PartialEq, Eq)]
pub struct Minted {
    /// The public part.
    pub id: String,
    /// The whole text, for its holder.
    pub secret: String,
    /// Its digest.
    pub sha256: String,
}

// Never in a log.
impl std::fmt::Debug for Minted {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("Minted").field("id", &self.id).finish_non_exhaustive()
    }
}

/// A new secret; of the token `id`, or of a new one.
pub fn mint(id: Option<&str>) -> Result<Minted, ApiError> {
    let mut bytes = [0_u8; ID_BYTES + SECRET_BYTES];
    getrandom::fill(&mut bytes).map_err(|error| ApiError::Internal(format!("no random numbers: {error}")))?;
    let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    let id = id.map_or_else(|| hex(&bytes[..ID_BYTES]), str::to_owned);
    let secret = format!("{FIRST}_{id}_{}", hex(&bytes[ID_BYTES..]));
    let sha256 = digest(&secret);
    Ok(Minted { id, secret, sha256 })
}

/// The public part of a text that has the form of a token.
pub fn id(text: &str) -> Option<&str> {
    let mut parts = text.split('_');
    let (first, id, rest, end) = (parts.next()?, parts.next()?, parts.next()?, parts.next());
    let hex = |text: &str, bytes: usize| {
        text.len() == bytes * 2 && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
    };
    let sound = first == FIRST && hex(id, ID_BYTES) && hex(rest, SECRET_BYTES) && end.is_none();
    sound.then_some(id)
}

/// The digest of a whole token, hex.
pub fn digest(text: &str) -> String {
    file_digest(text.as_bytes())
}

/// Whether two digests are the same; how long that takes does not depend on where they differ.
pub fn same(one: &str, other: &str) -> bool {
    one.as_bytes().ct_eq(other.as_bytes()).into()
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn a_secret_has_256_bits_and_never_comes_twice() {
        let (one, other) = (mint(None).unwrap(), mint(None).unwrap());
        assert_ne!(one.secret, other.secret);
        assert_eq!(id(&one.secret), Some(one.id.as_str()));
        assert_eq!(one.secret.rsplit('_').next().unwrap().len(), 64);
        assert!(!format!("{one:?}").contains(&one.secret));
        let again = mint(Some(&one.id)).unwrap();
        assert!(again.id == one.id && again.secret != one.secret);
        assert!(same(&one.sha256, &digest(&one.secret)) && !same(&one.sha256, &other.sha256));
    }

    #[test]
    fn what_has_another_form_names_no_token() {
        let sound = mint(None).unwrap().secret;
        for broken in [
            String::new(),
            "condyle".into(),
            sound.to_uppercase(),
            format!("{sound}_"),
            format!("{sound}0"),
            sound.replace("condyle", "condyles"),
            sound[..sound.len() - 1].to_owned(),
        ] {
            assert_eq!(id(&broken), None, "{broken}");
        }
    }
}
