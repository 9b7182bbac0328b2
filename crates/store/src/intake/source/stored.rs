//! Files of readings in an object storage, listed as those of a folder are.

use drawoff_contract::ContractError;
use drawoff_objects::{Address, Found, Object, Storage};

use super::{DEEPEST, Source, format_of_ending, in_order, plain_value};
use crate::blob::{Origin, absent};
use crate::output::published;

/// All files at an address: that object, what a run there names, or every object below it, as [`super::list`] would find them.
///
/// # Errors
/// As [`super::list`], and when the storage cannot be reached.
pub(super) fn list(address: &Address) -> Result<Vec<Source>, ContractError> {
    let hint = "check `inputs.readings`, and the bucket";
    let storage = Storage::open(address)?;
    let of = |found: Found| Object::new(storage.clone(), found);
    if format_of_ending(&address.to_path()).is_some()
        && let Some(found) = storage.look(&address.key)?
    {
        let origin = Origin::Object(of(found));
        let name = address.name().to_owned();
        return Ok(vec![Source { path: address.to_path(), name, folder_columns: Vec::new(), origin }]);
    }
    // Below the address of a run lie others as well, some of them unfinished: its manifest alone says what belongs to it.
    let (root, named) = match published::current(&storage, address)? {
        Some(run) => (address.join(&run.folder), Some(run.files)),
        None => (address.clone(), None),
    };
    let prefix = if root.key.is_empty() { String::new() } else { format!("{}/", root.key) };
    let mut found = Vec::new();
    for object in storage.list(&root.key)? {
        let Some(name) = object.key.strip_prefix(&prefix).map(str::to_owned) else { continue };
        if named.as_ref().is_none_or(|files| files.contains_key(&name))
            && let Some(folder_columns) = columns_of(&root, &name)?
        {
            // Some storages do not tell tags in lists; without one an object could change while it is read.
            let object = match object.tag {
                None => storage.look(&object.key)?.unwrap_or(object),
                Some(_) => object,
            };
            let path = root.join(&name).to_path();
            found.push(Source { path, name, folder_columns, origin: Origin::Object(of(object)) });
        }
    }
    let lost = named.iter().flatten().find(|(name, file)| {
        format_of_ending(name.as_ref()).is_some()
            && !found.iter().any(|s| s.name == **name && s.bytes() == file.bytes)
    });
    if let Some((name, _)) = lost {
        return Err(absent(&root.join(name))
            .with_hint("the run that its manifest names is not whole: write it again"));
    }
    in_order(found, &address.to_path()).map_err(|e| if named.is_none() { e.or_hint(hint) } else { e })
}

/// Columns that the folders of a file tell; `None` for a file that is no readings: a hidden one, or one of another ending.
fn columns_of(root: &Address, name: &str) -> Result<Option<Vec<(String, String)>>, ContractError> {
    let parts: Vec<&str> = name.split('/').collect();
    if parts.iter().any(|p| p.starts_with('.') || p.starts_with('_'))
        || format_of_ending(name.as_ref()).is_none()
    {
        return Ok(None);
    }
    let folders = &parts[..parts.len() - 1];
    if folders.len() > DEEPEST {
        let message = format!("folders lie deeper than {DEEPEST} in each other");
        return Err(ContractError::new(root.join(name).to_string(), message).with_hint("move the files up"));
    }
    let column =
        |folder: &&str| folder.split_once('=').map(|(key, value)| (key.to_owned(), plain_value(value)));
    Ok(Some(folders.iter().filter_map(column).collect()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_readings_is_passed_over() {
        let root = Address::of("s3://b/x".as_ref()).unwrap();
        let of = |name: &str| columns_of(&root, name).unwrap();
        assert_eq!(of("month=1/home=a%2Fb/x.csv").unwrap()[1], ("home".to_owned(), "a/b".to_owned()));
        assert_eq!(of("x.parquet"), Some(Vec::new()));
        for name in ["_temporary/x.csv", ".x.csv", "a/_SUCCESS", "README.md"] {
            assert_eq!(of(name), None, "{name}");
        }
        assert!(columns_of(&root, &format!("{}x.csv", "a/".repeat(DEEPEST + 1))).is_err());
    }
}
