//! Lists of hashes in the two-column form that `sha256sum` and its kin write and check.

/// One file of a list.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct HashLine {
    /// Path below the bundle's folder, parts joined by `/`.
    pub path: String,
    /// SHA-256 of its bytes, lower-case hex.
    pub sha256: String,
}

/// A list that cannot be trusted as it stands.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ListError {
    /// A line that is not 64 lower-case hex digits, two blanks and a path.
    #[error("line {line} is not a hash, two blanks and a file's path, as it was written")]
    Form {
        /// Which line, from 1.
        line: usize,
    },
    /// Lines out of order, twice, or without a line end: not what was written.
    #[error("its lines are not in the order and form in which they were written")]
    Order,
}

/// The list's text: one line a file, by path.
///
/// # Source
/// GNU coreutils manual, `md5sum`: hash, blank, blank (text), name; a name with a backslash, a line end or a return in
/// it stands escaped, and its line begins with a backslash.
pub fn list(mut lines: Vec<HashLine>) -> String {
    lines.sort();
    let mut text = String::new();
    for line in lines {
        let name = escaped(&line.path);
        if name != line.path {
            text.push('\\');
        }
        text.push_str(&line.sha256);
        text.push_str("  ");
        text.push_str(&name);
        text.push('\n');
    }
    text
}

fn escaped(path: &str) -> String {
    path.replace('\\', "\\\\")
        .replace('\n', "\\n")
        .replace('\r', "\\r")
}

/// Reads a list, and takes none that differs by a byte from what [`list`] writes.
///
/// # Errors
/// [`ListError`].
pub fn read_list(bytes: &[u8]) -> Result<Vec<HashLine>, ListError> {
    let text = std::str::from_utf8(bytes).map_err(|error| ListError::Form {
        line: 1 + bytes[..error.valid_up_to()]
            .iter()
            .filter(|&&b| b == b'\n')
            .count(),
    })?;
    let mut lines = Vec::new();
    for (at, line) in text.lines().enumerate() {
        lines.push(of_line(line).ok_or(ListError::Form { line: at + 1 })?);
    }
    if list(lines.clone()) != text {
        return Err(ListError::Order);
    }
    if lines.windows(2).any(|two| two[0].path == two[1].path) {
        return Err(ListError::Order);
    }
    Ok(lines)
}

fn of_line(line: &str) -> Option<HashLine> {
    let (line, is_escaped) = match line.strip_prefix('\\') {
        Some(rest) => (rest, true),
        None => (line, false),
    };
    let (sha256, name) = line.split_once("  ")?;
    let is_hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
    if sha256.len() != 64 || !sha256.bytes().all(is_hex) || name.is_empty() {
        return None;
    }
    Some(HashLine {
        path: if is_escaped {
            plain(name)?
        } else {
            name.to_owned()
        },
        sha256: sha256.to_owned(),
    })
}

fn plain(name: &str) -> Option<String> {
    let mut out = String::new();
    let mut letters = name.chars();
    while let Some(c) = letters.next() {
        out.push(match c {
            '\\' => match letters.next()? {
                '\\' => '\\',
                'n' => '\n',
                'r' => '\r',
                _ => return None,
            },
            c => c,
        });
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(path: &str) -> HashLine {
        HashLine {
            path: path.to_owned(),
            sha256: "0123456789abcdef".repeat(4),
        }
    }

    #[test]
    fn what_is_written_is_read_again() {
        let lines = vec![
            line("b/ç 北.jpg"),
            line("a"),
            line("odd\\name\nwith\rends"),
            line("two  blanks"),
        ];
        let text = list(lines.clone());
        let mut sorted = lines;
        sorted.sort();
        assert_eq!(read_list(text.as_bytes()).unwrap(), sorted);
        assert!(text.contains("\n\\0123"), "{text}");
        assert!(text.contains("odd\\\\name\\nwith\\rends\n"), "{text}");
    }

    #[test]
    fn nothing_else_is_taken() {
        let good = list(vec![line("a"), line("b")]);
        assert!(read_list(good.as_bytes()).is_ok());
        for at in 0..good.len() {
            let mut bytes = good.clone().into_bytes();
            bytes[at] ^= 0x20;
            let read = read_list(&bytes);
            let differs = read
                .as_ref()
                .is_ok_and(|lines| lines != &read_list(good.as_bytes()).unwrap());
            assert!(read.is_err() || differs, "byte {at}");
        }
        for odd in [
            good.trim_end(),
            &good.replace('\n', "\r\n"),
            &good.to_uppercase(),
            &(good.clone() + &good),
        ] {
            assert!(read_list(odd.as_bytes()).is_err(), "{odd}");
        }
    }
}
