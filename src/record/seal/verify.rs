//! The check of a bundle: which file, which mark, which link is broken, and what could not be checked.

use std::collections::{BTreeMap, BTreeSet};

use super::{HashLine, Signed, links, read_list, signed};
use crate::record::{HTML, MANIFEST, PDF, SEAL, SIGNATURE};

/// One file of a bundle, as found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SeenFile {
    /// SHA-256 of its bytes, lower-case hex.
    pub sha256: String,
    /// The bytes themselves, where [`is_kept`] asks for them.
    pub bytes: Option<Vec<u8>>,
}

/// Everything found in a bundle.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Seen {
    /// By path below the bundle's folder, parts joined by `/`.
    pub files: BTreeMap<String, SeenFile>,
    /// What could not be read, and why.
    pub unread: Vec<(String, String)>,
    /// What is wrong with the zip, where it is one.
    pub packing: Vec<Finding>,
}

/// Whether the check looks into this file; of the others the hash is enough.
pub fn is_kept(path: &str) -> bool {
    [PDF, HTML, MANIFEST, SEAL, SIGNATURE].contains(&path) || links::is_kept(path)
}

/// What the person who checks knows from elsewhere.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Expect {
    /// The manifest's hash, as it stands on the first page in their hands.
    pub manifest_sha256: Option<String>,
    /// The public key of the person who sealed, one line in OpenSSH's form.
    pub public_key: Option<String>,
}

/// What a finding means for the bundle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// Something was changed, taken out or does not fit.
    Broken,
    /// It could not be checked.
    NotChecked,
    /// A file that is in no list.
    TooMany,
}

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Finding {
    /// What it means.
    pub kind: Kind,
    /// Which file, mark or link.
    pub what: String,
    /// What is wrong with it.
    pub says: String,
}

impl Finding {
    pub(super) fn broken(what: &str, says: impl Into<String>) -> Self {
        Self {
            kind: Kind::Broken,
            what: what.to_owned(),
            says: says.into(),
        }
    }

    pub(super) fn not_checked(what: &str, says: impl Into<String>) -> Self {
        Self {
            kind: Kind::NotChecked,
            ..Self::broken(what, says)
        }
    }
}

/// The answer, the worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// At least one file, mark or link is not as it was sealed.
    Broken,
    /// Nothing was found broken, but not everything could be checked.
    NotChecked,
    /// Every sealed file is as it was sealed; others were put in beside them.
    TooMany,
    /// Every file is as it was sealed, and there is no other.
    AsSealed,
}

/// What came of a check.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Report {
    /// The answer.
    pub verdict: Verdict,
    /// What is wrong, the worst first.
    pub findings: Vec<Finding>,
    /// Files whose bytes agree with their list.
    pub agree: usize,
    /// SHA-256 of the manifest as it lies there.
    pub manifest_sha256: Option<String>,
    /// What is said of it besides, one line each.
    pub notes: Vec<String>,
}

/// Checks a bundle.
pub fn verify(seen: &Seen, expect: &Expect) -> Report {
    let mut findings = seen.packing.clone();
    findings.extend((seen.unread.iter()).map(|(path, why)| Finding::not_checked(path, why)));
    let mut notes = Vec::new();
    let mut listed = BTreeSet::from([SEAL.to_owned(), SIGNATURE.to_owned()]);
    let mut agree = 0;
    for name in [SEAL, MANIFEST] {
        let lines = listed_in(seen, name, &mut findings);
        agree += hold_against(seen, name, &lines, &mut findings);
        if name == SEAL && !lines.is_empty() {
            must_list(&lines, &mut findings);
        }
        listed.extend(lines.into_iter().map(|line| line.path));
    }
    for path in seen.files.keys().filter(|path| !listed.contains(*path)) {
        findings.push(Finding {
            kind: Kind::TooMany,
            ..Finding::broken(path, "stands in no list; it was put in after sealing")
        });
    }
    let manifest_sha256 = seen.files.get(MANIFEST).map(|file| file.sha256.clone());
    if let Some(hash) = &manifest_sha256 {
        pages_name_it(seen, hash, &mut findings);
        known_from_elsewhere(hash, expect, &mut findings, &mut notes);
    }
    who_sealed(seen, expect, &mut findings, &mut notes);
    findings.extend(links::check(seen, &mut notes));
    findings.sort();
    findings.dedup();
    let has = |kind| findings.iter().any(|f| f.kind == kind);
    Report {
        verdict: if has(Kind::Broken) {
            Verdict::Broken
        } else if has(Kind::NotChecked) {
            Verdict::NotChecked
        } else if has(Kind::TooMany) {
            Verdict::TooMany
        } else {
            Verdict::AsSealed
        },
        findings,
        agree,
        manifest_sha256,
        notes,
    }
}

/// A list's lines; none where it cannot be read, which is then told.
fn listed_in(seen: &Seen, name: &str, findings: &mut Vec<Finding>) -> Vec<HashLine> {
    let Some(bytes) = bytes_of(seen, name) else {
        if !seen.unread.iter().any(|(path, _)| path == name) {
            findings.push(Finding::not_checked(
                name,
                "is missing, so what it lists cannot be checked",
            ));
        }
        return Vec::new();
    };
    match read_list(bytes) {
        Ok(lines) if lines.is_empty() => {
            findings.push(Finding::broken(name, "lists nothing"));
            lines
        }
        Ok(lines) => lines,
        Err(error) => {
            findings.push(Finding::broken(name, error.to_string()));
            Vec::new()
        }
    }
}

pub(super) fn bytes_of<'a>(seen: &'a Seen, path: &str) -> Option<&'a [u8]> {
    seen.files.get(path)?.bytes.as_deref()
}

/// Holds files against a list; gives the number that agree.
fn hold_against(seen: &Seen, list: &str, lines: &[HashLine], findings: &mut Vec<Finding>) -> usize {
    let mut agree = 0;
    for line in lines {
        match seen.files.get(&line.path) {
            Some(file) if file.sha256 == line.sha256 => agree += 1,
            Some(_) => findings.push(Finding::broken(
                &line.path,
                format!("its bytes are not those that {list} lists"),
            )),
            None if seen.unread.iter().any(|(path, _)| *path == line.path) => {}
            None => findings.push(Finding::broken(
                &line.path,
                format!("is missing; {list} lists it"),
            )),
        }
    }
    agree
}

fn must_list(lines: &[HashLine], findings: &mut Vec<Finding>) {
    let names: Vec<&str> = lines.iter().map(|l| l.path.as_str()).collect();
    if names != [MANIFEST, HTML, PDF] {
        findings.push(Finding::broken(
            SEAL,
            format!("must list {MANIFEST}, {HTML} and {PDF}, and nothing else"),
        ));
    }
}

/// The link from what people read to the evidence: both pages carry the manifest's hash.
fn pages_name_it(seen: &Seen, hash: &str, findings: &mut Vec<Finding>) {
    for page in [PDF, HTML] {
        let Some(bytes) = bytes_of(seen, page) else {
            continue;
        };
        if !bytes
            .windows(hash.len())
            .any(|part| part == hash.as_bytes())
        {
            findings.push(Finding::broken(
                page,
                format!("was made for another {MANIFEST}: its number is not in it"),
            ));
        }
    }
}

fn known_from_elsewhere(
    hash: &str,
    expect: &Expect,
    findings: &mut Vec<Finding>,
    notes: &mut Vec<String>,
) {
    let Some(expected) = &expect.manifest_sha256 else {
        return;
    };
    let expected: String = expected.chars().filter(char::is_ascii_hexdigit).collect();
    if expected.eq_ignore_ascii_case(hash) {
        notes.push("The manifest is the one whose number you gave.".to_owned());
    } else {
        findings.push(Finding::broken(
            MANIFEST,
            "is not the one whose number you gave: this bundle is another one, or was sealed anew",
        ));
    }
}

fn who_sealed(seen: &Seen, expect: &Expect, findings: &mut Vec<Finding>, notes: &mut Vec<String>) {
    let Some(signature) = bytes_of(seen, SIGNATURE) else {
        if expect.public_key.is_some() {
            findings.push(Finding::not_checked(
                SIGNATURE,
                "is not there: this bundle was not signed, so who sealed it cannot be checked",
            ));
        }
        return;
    };
    let Some(seal) = bytes_of(seen, SEAL) else {
        return;
    };
    match signed(signature, seal) {
        Signed::By {
            fingerprint,
            public_key,
        } => {
            let same = |expected: &str| {
                let words = |key: &str| -> Vec<String> {
                    key.split_whitespace().take(2).map(str::to_owned).collect()
                };
                words(expected) == words(&public_key)
            };
            match &expect.public_key {
                Some(expected) if same(expected) => {
                    notes.push(format!("Signed with the key that you gave, {fingerprint}."));
                }
                Some(_) => findings.push(Finding::broken(
                    SIGNATURE,
                    format!("was made with another key than the one that you gave: {fingerprint}"),
                )),
                None => notes.push(format!(
                    "Signed with the key {fingerprint}. Whose key that is, only its owner can tell you; with their \
                     public key: podfall verify --key FILE."
                )),
            }
        }
        Signed::Wrong => findings.push(Finding::broken(
            SIGNATURE,
            format!("does not belong to {SEAL} as it lies there, or was damaged"),
        )),
        Signed::Unknown { algorithm } => findings.push(Finding::not_checked(
            SIGNATURE,
            format!(
                "was made with {algorithm}, which podfall does not check; OpenSSH does: ssh-keygen -Y check-novalidate \
                 -n podfall-record -s {SIGNATURE} < {SEAL}"
            ),
        )),
    }
}
