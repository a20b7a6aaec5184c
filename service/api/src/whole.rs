//! Whole numbers as JSON Schema has them: 3.0 is one (2020-12, §6.1.1).

use serde::{Deserialize, Deserializer, de::Error};

#[derive(Deserialize)]
#[serde(untagged)]
enum Written {
    Whole(u64),
    Other(f64),
}

/// Reads a whole number.
pub(crate) fn number<'de, D: Deserializer<'de>, T: TryFrom<u64>>(from: D) -> Result<T, D::Error> {
    read(Written::deserialize(from)?)
}

/// Reads a whole number or `null`.
pub(crate) fn option<'de, D: Deserializer<'de>, T: TryFrom<u64>>(from: D) -> Result<Option<T>, D::Error> {
    Option::<Written>::deserialize(from)?.map(read).transpose()
}

fn read<E: Error, T: TryFrom<u64>>(written: Written) -> Result<T, E> {
    let wrong = || E::custom("a whole number is wanted that is neither negative nor too large");
    let number = match written {
        Written::Whole(number) => number,
        // Beyond 2^53 not every whole number can be told from its neighbours.
        Written::Other(number) if number.fract() == 0.0 && (0.0..9.0e15).contains(&number) => number as u64,
        Written::Other(_) => return Err(wrong()),
    };
    T::try_from(number).map_err(|_| wrong())
}

#[cfg(test)]
mod tests {
    use crate::Retention;

    #[test]
    fn a_whole_number_may_have_a_fraction_of_nothing() {
        let read = |text: &str| serde_json::from_str::<Retention>(text).map(|rule| rule.keep_last);
        assert_eq!(read(r#"{"keep_last": 3.0}"#).ok(), Some(Some(3)));
        assert_eq!(read(r#"{"keep_last": 3}"#).ok(), Some(Some(3)));
        assert_eq!(read(r#"{"keep_last": null}"#).ok(), Some(None));
        for wrong in ["3.5", "-1", "4294967296", "1e300", "\"3\"", "true"] {
            assert!(read(&format!("{{\"keep_last\": {wrong}}}")).is_err(), "{wrong}");
        }
    }
}
