//! What `regrade` is pointed at: captures and CSV files, found in folders in sorted order.

use super::Error;
use crate::capture::is_capture;
use std::fs;
use std::path::{Path, PathBuf};

/// All inputs under the given paths, in the order given and sorted within a folder, and what could not be read.
/// A file that is named is taken as CSV whatever its ending; a `raw.pcapng` stands for its folder.
pub fn find(paths: &[PathBuf]) -> (Vec<PathBuf>, Vec<Error>) {
    let (mut found, mut errors) = (vec![], vec![]);
    for path in paths {
        let before = (found.len(), errors.len());
        match fs::metadata(path) {
            Err(source) => errors.push(Error::Path { path: path.display().to_string(), source }),
            Ok(meta) if meta.is_dir() => walk(path, &mut found, &mut errors),
            Ok(_) if path.extension().is_some_and(|e| e == "pcapng") => {
                let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
                found.push(folder.to_owned());
            }
            Ok(_) => found.push(path.clone()),
        }
        if before == (found.len(), errors.len()) {
            errors.push(Error::Nothing { path: path.display().to_string() });
        }
    }
    (found, errors)
}

/// The captures alone.
pub fn captures(paths: &[PathBuf]) -> (Vec<PathBuf>, Vec<Error>) {
    let (mut found, errors) = find(paths);
    found.retain(|path| path.is_dir());
    (found, errors)
}

/// A capture's folder is one input and is not entered: its own `samples.csv` is no second one. Links to folders
/// are not followed, so the walk ends.
fn walk(folder: &Path, found: &mut Vec<PathBuf>, errors: &mut Vec<Error>) {
    if is_capture(folder) {
        found.push(folder.to_owned());
        return;
    }
    let listed = fs::read_dir(folder).and_then(|entries| entries.map(|e| e.map(|e| e.path())).collect());
    let mut entries: Vec<PathBuf> = match listed {
        Ok(entries) => entries,
        Err(source) => return errors.push(Error::Path { path: folder.display().to_string(), source }),
    };
    entries.sort();
    for entry in entries {
        let kind = entry.symlink_metadata().map(|m| m.file_type());
        if kind.is_ok_and(|k| k.is_dir()) {
            walk(&entry, found, errors);
        } else if entry.is_file() && entry.extension().is_some_and(|e| e.eq_ignore_ascii_case("csv")) {
            found.push(entry);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_are_walked_and_captures_are_not_entered() {
        let dir = tempfile::tempdir().unwrap();
        let at = |p: &str| dir.path().join(p);
        for d in ["b/van-07", "b/van-03/export", "a", "empty"] {
            fs::create_dir_all(at(d)).unwrap();
        }
        for f in ["b/van-07/raw.pcapng", "b/van-07/samples.csv", "b/van-03/raw.pcapng", "b/van-03/export/samples.csv"] {
            fs::write(at(f), "").unwrap();
        }
        for f in ["a/two.CSV", "a/one.csv", "a/notes.txt", "c.csv"] {
            fs::write(at(f), "").unwrap();
        }
        std::os::unix::fs::symlink(dir.path(), at("a/round")).unwrap();
        let (found, errors) = find(&[dir.path().to_owned()]);
        let expected = [at("a/one.csv"), at("a/two.CSV"), at("b/van-03"), at("b/van-07"), at("c.csv")];
        assert_eq!(found, expected);
        assert!(errors.is_empty());

        let (found, errors) = find(&[at("b/van-07/raw.pcapng"), at("empty"), at("nowhere"), at("a/notes.txt")]);
        assert_eq!(found, [at("b/van-07"), (at("a/notes.txt"))]);
        assert!(matches!(&errors[..], [Error::Nothing { .. }, Error::Path { .. }]));
    }
}
