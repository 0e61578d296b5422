//! Bytes as text, for pictures inside a page.

const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

/// Bytes in base 64 with padding.
///
/// # Source
/// RFC 4648, section 4.
pub(crate) fn encode(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let at = |i: usize| u32::from(three.get(i).copied().unwrap_or(0));
        let bits = at(0) << 16 | at(1) << 8 | at(2);
        for i in 0..4 {
            if i <= three.len() {
                let letter = bits >> (18 - 6 * i) & 63;
                text.push(char::from(LETTERS[letter as usize]));
            } else {
                text.push('=');
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    #[test]
    fn agrees_with_the_standard() {
        // Test vectors of RFC 4648, section 10.
        for (bytes, text) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(super::encode(bytes.as_bytes()), text);
        }
        assert_eq!(super::encode(&[0xfb, 0xff, 0xfe]), "+//+");
    }
}
