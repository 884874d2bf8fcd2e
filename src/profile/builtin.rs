//! The built-in profiles, embedded.

/// Name and text of each.
pub(super) const BUILTIN: &[(&str, &str)] = &[
    ("switch-module", include_str!("../../profiles/switch-module.toml")),
    ("pressure-sensor", include_str!("../../profiles/pressure-sensor.toml")),
    ("module-on-the-tray", include_str!("../../profiles/module-on-the-tray.toml")),
    ("courier-van", include_str!("../../profiles/courier-van.toml")),
    ("road-log", include_str!("../../profiles/road-log.toml")),
];

/// The profile that holds every setting; all others stand on it.
pub(super) const BASE: &str = BUILTIN[0].0;

/// How text-command adapters are spoken to: lies under every profile.
pub(super) const DIALECT: (&str, &str) =
    ("profiles/text-adapter.toml", include_str!("../../profiles/text-adapter.toml"));

/// Names of the built-in profiles, the base first.
pub fn builtin_names() -> impl Iterator<Item = &'static str> + Clone {
    BUILTIN.iter().map(|(name, _)| *name)
}

/// The embedded name and text.
pub(super) fn builtin(name: &str) -> Option<(&'static str, &'static str)> {
    BUILTIN.iter().copied().find(|(n, _)| *n == name)
}
