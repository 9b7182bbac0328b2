//! Where paths lead, whatever words they are written in.

use std::path::{Component, Path, PathBuf};

/// The place that a path leads to: links and `..` are followed as far as there is something, the rest is taken by its words.
#[must_use]
pub fn real(path: &Path) -> PathBuf {
    let whole = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    for there in whole.ancestors() {
        let (Ok(found), Ok(rest)) = (there.canonicalize(), whole.strip_prefix(there)) else { continue };
        let mut real = found;
        for part in rest.components() {
            match part {
                Component::ParentDir => drop(real.pop()),
                part => real.push(part),
            }
        }
        return real;
    }
    whole
}

/// Whether a path leads to `folder` or into it.
#[must_use]
pub fn lies_within(path: &Path, folder: &Path) -> bool {
    real(path).starts_with(real(folder))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_do_not_hide_where_a_path_leads() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("readings");
        std::fs::create_dir_all(folder.join("week")).unwrap();
        std::fs::create_dir_all(dir.path().join("other")).unwrap();
        assert!(lies_within(&folder, &folder) && lies_within(&folder.join("new/deep"), &folder));
        assert!(lies_within(&dir.path().join("other/../readings/new"), &folder));
        assert!(lies_within(&dir.path().join("no-such/../readings/new"), &folder));
        assert!(!lies_within(&folder.join("../new"), &folder));
        assert!(!lies_within(&dir.path().join("readings-2"), &folder));
        #[cfg(unix)]
        {
            std::os::unix::fs::symlink(&folder, dir.path().join("link")).unwrap();
            assert!(lies_within(&dir.path().join("link/new"), &folder));
            assert!(lies_within(&folder.join("week"), &dir.path().join("link")));
        }
    }
}
