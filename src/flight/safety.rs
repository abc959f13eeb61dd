//! The cautions that stand with every forecast and on every worksheet, in one place so that they never differ.

/// What to mind before a ball is launched.
pub const CAUTIONS: [&str; 4] = [
    "Everyone near the launcher wears eye protection.",
    "The landing zone and the line of flight are clear before every shot; nobody leans over the muzzle.",
    "One person calls the shot; the launcher is loaded only then and never points at anyone.",
    "The school's and local safety rules come first.",
];

/// The cautions as one paragraph.
pub fn cautions_paragraph() -> String {
    CAUTIONS.join(" ")
}
