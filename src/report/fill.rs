//! Templates of pages, filled in.

use std::borrow::Cow;

use minijinja::{Environment, Error, Value, escape_formatter, syntax::SyntaxConfig, value::Serde};
use serde::Serialize;

use crate::text::turning_by_number;

/// A page. Values are escaped; characters that turn the letters about them are shown by number.
///
/// # Errors
/// The template engine's, when the template does not fit the values, which a test rules out.
pub(crate) fn fill(
    name: &str,
    template: &'static str,
    values: impl Serialize,
) -> Result<String, Error> {
    let mut environment = Environment::new();
    environment.set_syntax(
        SyntaxConfig::builder()
            .trim_blocks(true)
            .lstrip_blocks(true)
            .build()?,
    );
    environment.set_formatter(|out, state, value| {
        let text = value.as_str().filter(|_| !value.is_safe());
        match text.map(turning_by_number) {
            Some(Cow::Owned(text)) => escape_formatter(out, state, &Value::from(text)),
            _ => escape_formatter(out, state, value),
        }
    });
    environment.add_template(name, template)?;
    environment.get_template(name)?.render(Serde(values))
}
