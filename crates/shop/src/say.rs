//! The message catalogue: every text that a person reads, by key, with its parameters.

use std::borrow::Cow;
use std::sync::OnceLock;

use fluent_bundle::concurrent::FluentBundle;
use fluent_bundle::{FluentArgs, FluentResource, FluentValue};

/// The program's own messages. The screens have theirs beside it.
pub const CATALOGUE: &str = include_str!("../messages/en/program.ftl");

/// A message's parameter.
#[derive(Clone, PartialEq, Debug)]
pub enum Arg {
    /// Text, inserted as it is.
    Text(String),
    /// A number, which may choose between singular and plural.
    Count(i64),
}

impl From<String> for Arg {
    fn from(text: String) -> Self {
        Self::Text(text)
    }
}

impl From<&String> for Arg {
    fn from(text: &String) -> Self {
        Self::Text(text.clone())
    }
}

impl From<&str> for Arg {
    fn from(text: &str) -> Self {
        Self::Text(text.to_owned())
    }
}

impl From<u64> for Arg {
    fn from(count: u64) -> Self {
        Self::from(usize::try_from(count).unwrap_or(usize::MAX))
    }
}

impl From<usize> for Arg {
    fn from(count: usize) -> Self {
        Self::Count(i64::try_from(count).unwrap_or(i64::MAX))
    }
}

impl From<u32> for Arg {
    fn from(count: u32) -> Self {
        Self::Count(i64::from(count))
    }
}

/// A message: its key and parameters, kept apart until someone reads it.
#[derive(Clone, PartialEq, Debug)]
pub struct Say {
    /// The key in the catalogue.
    pub key: Cow<'static, str>,
    /// The parameters by name.
    pub args: Vec<(&'static str, Arg)>,
}

impl Say {
    /// A message without parameters.
    pub fn new(key: impl Into<Cow<'static, str>>) -> Self {
        Self { key: key.into(), args: Vec::new() }
    }

    /// The same message with one more parameter.
    pub fn with(mut self, name: &'static str, value: impl Into<Arg>) -> Self {
        self.args.push((name, value.into()));
        self
    }

    /// The text.
    pub fn text(&self) -> String {
        let bundle = bundle();
        let Some(pattern) = bundle.get_message(&self.key).and_then(|m| m.value()) else {
            return self.key.clone().into_owned();
        };
        let mut args = FluentArgs::new();
        for (name, value) in &self.args {
            match value {
                Arg::Text(text) => args.set(*name, FluentValue::from(text.as_str())),
                Arg::Count(count) => args.set(*name, FluentValue::from(*count)),
            }
        }
        let mut errors = Vec::new();
        bundle.format_pattern(pattern, Some(&args), &mut errors).into_owned()
    }
}

/// The text of a message.
#[macro_export]
macro_rules! say {
    ($key:literal $(, $name:ident = $value:expr)* $(,)?) => {
        $crate::say::Say::new($key)$(.with(stringify!($name), $value))*
    };
}

fn bundle() -> &'static FluentBundle<FluentResource> {
    static BUNDLE: OnceLock<FluentBundle<FluentResource>> = OnceLock::new();
    BUNDLE.get_or_init(|| {
        let mut bundle = FluentBundle::new_concurrent(vec![unic_langid::LanguageIdentifier::default()]);
        bundle.set_use_isolating(false);
        // The tests prove that the catalogue has no errors; what can be read is used.
        let resource = FluentResource::try_new(CATALOGUE.to_owned()).unwrap_or_else(|(resource, _)| resource);
        bundle.add_resource_overriding(resource);
        bundle
    })
}
