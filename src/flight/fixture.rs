//! Reading the published values that tests compare with.

use std::ops::Index;
use std::path::Path;

/// A parsed file of `fixtures/`.
pub(crate) struct Fixture(toml::Table);

impl Fixture {
    pub(crate) fn read(name: &str) -> Self {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(name);
        let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        Self(text.parse().unwrap())
    }
}

impl Index<&str> for Fixture {
    type Output = toml::Value;

    fn index(&self, key: &str) -> &toml::Value {
        &self.0[key]
    }
}

/// The floats of an array.
pub(crate) fn numbers(value: &toml::Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|number| number.as_float().unwrap()).collect()
}
