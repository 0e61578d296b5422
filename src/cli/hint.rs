//! Commands in hints: what is printed runs when it is pasted into a shell.

use std::path::Path;

/// `podfall COMMAND FOLDER`.
pub fn podfall(command: &str, folder: &Path) -> String {
    format!("podfall {command} {}", word(folder))
}

/// A path as one word of a shell: as it is where no shell minds it, else in single quotes.
pub fn word(path: &Path) -> String {
    let mut text = path.display().to_string();
    if text.starts_with('-') {
        // Else it would be taken for an option.
        text.insert_str(0, "./");
    }
    let is_plain = |c: char| c.is_ascii_alphanumeric() || "/._-+=:,@%".contains(c);
    if !text.is_empty() && text.chars().all(is_plain) {
        return text;
    }
    format!("'{}'", text.replace('\'', r"'\''"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_is_one_word_of_a_shell() {
        for (folder, told) in [
            ("north-field", "podfall loss north-field"),
            (".", "podfall loss ."),
            ("North 40", "podfall loss 'North 40'"),
            ("Nörd", "podfall loss 'Nörd'"),
            ("Bob's", r"podfall loss 'Bob'\''s'"),
            ("$x", "podfall loss '$x'"),
            ("-n", "podfall loss ./-n"),
            ("-n o", "podfall loss './-n o'"),
            ("", "podfall loss ''"),
        ] {
            assert_eq!(podfall("loss", Path::new(folder)), told);
        }
    }
}
