//! Which photo files are the same, byte for byte: told before any is counted, so that each is counted once.

use std::{
    collections::{BTreeMap, HashMap},
    fs,
};

use rayon::prelude::*;

use super::{MOST_FILE_BYTES, Source};
use crate::{files, photo::sha256_hex};

/// Numbers of the photos that are one file, the first in front; photos without a copy stand alone. Sorted by the first.
///
/// Only files of one length are read. A file that cannot be read stands alone.
pub(super) fn groups(sources: &[Source]) -> Vec<Vec<usize>> {
    let mut of_length: HashMap<u64, Vec<usize>> = HashMap::new();
    for (at, source) in sources.iter().enumerate() {
        // No file is that long: what has no length stands alone.
        let length = fs::metadata(&source.path).map_or(u64::MAX - at as u64, |meta| meta.len());
        of_length.entry(length).or_default().push(at);
    }
    let alike: Vec<Vec<usize>> = of_length.into_values().collect();
    let mut groups: Vec<Vec<usize>> = (alike.into_par_iter())
        .flat_map_iter(|members| by_contents(sources, members))
        .collect();
    groups.sort();
    groups
}

/// Parts files of one length by what is in them.
fn by_contents(sources: &[Source], members: Vec<usize>) -> Vec<Vec<usize>> {
    if members.len() == 1 {
        return vec![members];
    }
    let mut groups: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    let mut alone = Vec::new();
    for at in members {
        match files::read_whole(&sources[at].path, MOST_FILE_BYTES) {
            Ok(bytes) => groups.entry(sha256_hex(&bytes)).or_default().push(at),
            Err(_) => alone.push(vec![at]),
        }
    }
    groups.into_values().chain(alone).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_files_stand_together_and_the_rest_alone() {
        let folder = tempfile::tempdir().unwrap();
        let contents = [("a", "one"), ("b", "two"), ("c", "three"), ("d", "one")];
        let mut sources: Vec<Source> = (contents.iter())
            .map(|(name, text)| {
                let path = folder.path().join(name);
                fs::write(&path, text).unwrap();
                Source {
                    path,
                    name: (*name).to_owned(),
                }
            })
            .collect();
        for name in ["gone", "gone too"] {
            sources.push(Source {
                path: folder.path().join(name),
                name: name.to_owned(),
            });
        }
        let expected: [&[usize]; 5] = [&[0, 3], &[1], &[2], &[4], &[5]];
        assert_eq!(groups(&sources), expected);
    }
}
