//! Random names and secrets.

use std::fmt;

use serde::{Deserialize, Serialize};

/// A random name of 128 bits, written in 26 letters and digits; also serves as a file name.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct Id(String);

const LETTERS: &[u8; 32] = b"abcdefghijkmnpqrstuvwxyz23456789";
const LENGTH: usize = 26;

impl Id {
    /// A new one, from the operating system's generator: nobody can guess it.
    pub fn random() -> Self {
        let bits = u128::from_le_bytes(rand::random());
        Self((0..LENGTH).map(|i| char::from(LETTERS[(bits >> (5 * i)) as usize % 32])).collect())
    }

    /// What a client sent, if it has the form of an id: nothing else ever becomes part of a path.
    pub fn read(text: &str) -> Option<Self> {
        let fits = text.len() == LENGTH && text.bytes().all(|byte| LETTERS.contains(&byte));
        fits.then(|| Self(text.to_owned()))
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Id {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for Id {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::read(&text).ok_or_else(|| serde::de::Error::custom("not an id"))
    }
}

/// Compares secrets in a time that doesn't tell where they differ.
pub fn same_secret(a: &str, b: &str) -> bool {
    a.len() == b.len() && a.bytes().zip(b.bytes()).fold(0, |sum, (a, b)| sum | (a ^ b)) == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_read_back_and_nothing_else_is() {
        let id = Id::random();
        assert_eq!(Id::read(id.as_str()), Some(id.clone()));
        assert_ne!(Id::random(), id);
        for text in ["", "..", "../../etc/passwd", "aaaaaaaaaaaaaaaaaaaaaaaaa/", "AAAAAAAAAAAAAAAAAAAAAAAAAA"] {
            assert_eq!(Id::read(text), None, "{text}");
        }
    }
}
