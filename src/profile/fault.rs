//! What can be wrong with a profile, in sentences a technician can act on.

use std::fmt;

/// A place in a text, counted from 1; the column counts characters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Line.
    pub line: u32,
    /// Column.
    pub column: u32,
}

impl Place {
    /// The place of a byte offset; an offset beyond the end is the end.
    pub fn of(text: &str, offset: usize) -> Place {
        let mut end = offset.min(text.len());
        while !text.is_char_boundary(end) {
            end -= 1;
        }
        let before = &text[..end];
        let line_start = before.rfind('\n').map_or(0, |i| i + 1);
        let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        Place {
            line: count(before.matches('\n').count()).saturating_add(1),
            column: count(before[line_start..].chars().count()).saturating_add(1),
        }
    }
}

/// One thing that is wrong with a profile.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// The file as it was named, or the `--set` argument.
    pub file: String,
    /// Where in the file; none for a `--set` argument or a profile stored with a capture.
    pub place: Option<Place>,
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub right: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some(Place { line, column }) = self.place {
            write!(f, ":{line}:{column}")?;
        }
        write!(f, ": {}; {}", self.what, self.right)
    }
}

/// Why there is no profile.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Everything that is wrong with it, not only the first fault.
    #[error("{}", sentences(.0))]
    Faulty(Vec<Fault>),
    /// Neither built in nor a file.
    #[error("there is no built-in profile and no file \"{name}\"; {right}")]
    NotFound {
        /// As it was asked for.
        name: String,
        /// What there is.
        right: String,
    },
    /// The file could not be read.
    #[error("cannot read the profile {path}: {cause}; check the file and its permissions")]
    Unreadable {
        /// The file.
        path: String,
        /// What the system said.
        cause: std::io::Error,
    },
}

impl Error {
    /// The faults, where the profile was read and found faulty.
    pub fn faults(&self) -> &[Fault] {
        match self {
            Error::Faulty(faults) => faults,
            Error::NotFound { .. } | Error::Unreadable { .. } => &[],
        }
    }
}

fn sentences(faults: &[Fault]) -> String {
    faults.iter().map(Fault::to_string).collect::<Vec<_>>().join("\n")
}

/// "did you mean …?" with the nearest of the names, or what may stand there.
pub(super) fn nearest<'a>(wrong: &str, names: impl Iterator<Item = &'a str> + Clone, otherwise: &str) -> String {
    let last = |s: &str| s.rsplit('.').next().unwrap_or(s).to_string();
    let best = names
        .map(|name| {
            // The right key under the wrong table is nearer than any misspelling.
            let whole = strsim::osa_distance(wrong, name);
            (if last(wrong) == last(name) { whole.min(1) } else { whole }, name)
        })
        .min_by_key(|(distance, _)| *distance);
    match best {
        Some((distance, name)) if distance <= (wrong.chars().count() / 3).max(2) => format!("did you mean \"{name}\"?"),
        _ => otherwise.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_lines_and_characters_from_one() {
        let text = "a = 1\n# ünï\nb = 2";
        assert_eq!(Place::of(text, 0), Place { line: 1, column: 1 });
        assert_eq!(Place::of(text, text.find('b').unwrap()), Place { line: 3, column: 1 });
        let after_u = text.find('n').unwrap();
        assert_eq!(Place::of(text, after_u), Place { line: 2, column: 4 });
        // Inside the two bytes of a character, and past the end.
        assert_eq!(Place::of(text, after_u - 1), Place { line: 2, column: 3 });
        assert_eq!(Place::of(text, 999), Place { line: 3, column: 6 });
        assert_eq!(Place::of("", 5), Place { line: 1, column: 1 });
    }

    #[test]
    fn the_nearest_name_is_offered_only_when_it_is_near() {
        let names = ["vehicle.tank_l", "leak.small_mm", "leak.large_mm"];
        assert_eq!(nearest("vehicle.tank_litre", names.into_iter(), "no"), "did you mean \"vehicle.tank_l\"?");
        assert_eq!(nearest("tank_l", names.into_iter(), "no"), "did you mean \"vehicle.tank_l\"?");
        assert_eq!(nearest("colour", names.into_iter(), "no"), "no");
    }
}
