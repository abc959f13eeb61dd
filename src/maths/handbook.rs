//! Reads the published worked examples in `fixtures/` for the tests of this folder.

use toml::Value;

/// The whole fixture file `name`.
pub(crate) fn fixture(name: &str) -> Value {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(name);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    Value::Table(text.parse().unwrap())
}

/// The entry at `path`, keys joined by dots.
pub(crate) fn at<'v>(value: &'v Value, path: &str) -> &'v Value {
    path.split('.').fold(value, |value, key| value.get(key).unwrap_or_else(|| panic!("no `{key}` of `{path}`")))
}

/// The number at `path`.
pub(crate) fn number(value: &Value, path: &str) -> f64 {
    as_number(at(value, path))
}

/// The numbers of the array at `path`.
pub(crate) fn numbers(value: &Value, path: &str) -> Vec<f64> {
    at(value, path).as_array().unwrap().iter().map(as_number).collect()
}

fn as_number(value: &Value) -> f64 {
    value.as_float().or_else(|| value.as_integer().map(|i| i as f64)).unwrap()
}

/// Asserts that `got` is `want` within `tolerance`.
#[track_caller]
pub(crate) fn assert_close(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "got {got}, want {want} within {tolerance:e}");
}

/// Asserts closeness element by element.
#[track_caller]
pub(crate) fn assert_all_close(got: &[f64], want: &[f64], tolerance: f64) {
    assert_eq!(got.len(), want.len());
    for (index, (got, want)) in got.iter().zip(want).enumerate() {
        assert!((got - want).abs() <= tolerance, "at {index}: got {got}, want {want} within {tolerance:e}");
    }
}
