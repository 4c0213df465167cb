//! A tree of elements, printed as XML and read from it, trusting nothing in it.
//!
//! **Conventions.** Names and attributes as written, prefixes included; text is the character data
//! of an element in one piece, comments and processing instructions left out.
//! **Limits.** A document may name an outside document type, as published MusicXML does, but it is
//! never fetched; entities of its own are refused, so nothing in it can grow. [`MAX_ELEMENTS`] and
//! [`MAX_DEPTH`] bound time, memory and the stack.
//! **Reference.** Extensible Markup Language (XML) 1.0, fifth edition, W3C 2008.

use quick_xml::Reader;
use quick_xml::Writer;
use quick_xml::XmlVersion;
use quick_xml::escape::escape;
use quick_xml::escape::resolve_predefined_entity;
use quick_xml::events::BytesDecl;
use quick_xml::events::BytesStart;
use quick_xml::events::BytesText;
use quick_xml::events::Event;

use crate::notation::error::NotationError;
use crate::notation::error::Place;

/// Elements in one document. A lick of 200 steps needs about 10 000.
const MAX_ELEMENTS: u64 = 300_000;

/// Elements inside each other. MusicXML needs about 10.
const MAX_DEPTH: usize = 64;

/// An element with everything in it.
#[derive(Debug, Default)]
pub(super) struct Element {
    /// The tag.
    pub name: String,
    attributes: Vec<(String, String)>,
    /// The elements inside, in order.
    pub children: Vec<Element>,
    text: String,
    /// Where the element begins, in bytes from the start of the document.
    pub offset: usize,
}

impl Element {
    /// An empty element, to be written.
    pub fn new(name: &str) -> Self {
        Self { name: name.to_owned(), ..Self::default() }
    }

    /// Adds an attribute.
    pub fn with(mut self, name: &str, value: impl ToString) -> Self {
        self.attributes.push((name.to_owned(), value.to_string()));
        self
    }

    /// Sets the character data.
    pub fn holding(mut self, text: impl ToString) -> Self {
        self.text = text.to_string();
        self
    }

    /// Adds an element inside.
    pub fn add(mut self, child: Self) -> Self {
        self.children.push(child);
        self
    }

    /// Adds an element that holds nothing but text.
    pub fn text_child(self, name: &str, text: impl ToString) -> Self {
        self.add(Self::new(name).holding(text))
    }

    /// Adds elements inside.
    pub fn add_all(mut self, children: impl IntoIterator<Item = Self>) -> Self {
        self.children.extend(children);
        self
    }

    /// The value of an attribute.
    pub fn attribute(&self, name: &str) -> Option<&str> {
        self.attributes.iter().find(|(key, _)| key == name).map(|(_, value)| value.as_str())
    }

    /// The first element of that name inside.
    pub fn child(&self, name: &str) -> Option<&Element> {
        self.children.iter().find(|child| child.name == name)
    }

    /// All elements of that name inside.
    pub fn named<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a Element> {
        self.children.iter().filter(move |child| child.name == name)
    }

    /// Follows one child after another.
    pub fn path(&self, names: &[&str]) -> Option<&Element> {
        names.iter().try_fold(self, |element, name| element.child(name))
    }

    /// The character data, with the white space around it.
    pub fn raw_text(&self) -> &str {
        &self.text
    }

    /// The character data without white space around it.
    pub fn text(&self) -> &str {
        self.text.trim()
    }

    /// The character data of the first child of that name.
    pub fn child_text(&self, name: &str) -> Option<&str> {
        self.child(name).map(Element::text)
    }
}

/// A whole document with `root`, of the document type that `doctype` declares.
pub(super) fn print(root: &Element, doctype: &str) -> String {
    let mut writer = Writer::new_with_indent(Vec::new(), b' ', 2);
    (|| {
        writer.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
        writer.write_event(Event::DocType(BytesText::from_escaped(doctype)))?;
        print_element(&mut writer, root)
    })()
    .expect("memory can be written to");
    String::from_utf8(writer.into_inner()).expect("made of strings") + "\n"
}

fn print_element(writer: &mut Writer<Vec<u8>>, element: &Element) -> std::io::Result<()> {
    let attributes = element.attributes.iter().map(|(k, v)| (k.as_str(), v.as_str()));
    let start = BytesStart::new(element.name.as_str()).with_attributes(attributes);
    if element.children.is_empty() && element.text.is_empty() {
        return writer.write_event(Event::Empty(start));
    }
    let end = start.to_end().into_owned();
    writer.write_event(Event::Start(start))?;
    if !element.text.is_empty() {
        // A bare carriage return would be read as a line feed.
        let text = escape(element.text.as_str()).replace('\r', "&#13;");
        writer.write_event(Event::Text(BytesText::from_escaped(text)))?;
    }
    for child in &element.children {
        print_element(writer, child)?;
    }
    writer.write_event(Event::End(end))
}

/// Whether XML 1.0 can hold the character (section 2.2).
pub(super) fn can_hold(character: char) -> bool {
    matches!(character, '\t' | '\n' | '\r' | ' '..='\u{FFFD}' | '\u{10000}'..)
}

/// Reads a whole document and returns its root.
///
/// # Errors
/// Text that is not well-formed, declares entities, or is beyond the limits.
pub(super) fn parse(text: &str) -> Result<Element, NotationError> {
    let mut reader = Reader::from_str(text);
    let mut open: Vec<Element> = Vec::new();
    let mut root = None;
    let mut count = 0;
    loop {
        let offset = reader.buffer_position() as usize;
        let place = || Place::in_text(text, offset);
        let malformed = |problem: String| NotationError::Malformed { place: place(), problem };
        let event = reader.read_event().map_err(|error| NotationError::Malformed {
            place: Place::in_text(text, reader.error_position() as usize),
            problem: error.to_string(),
        })?;
        let mut closed = None;
        match event {
            Event::Start(start) => {
                if open.len() >= MAX_DEPTH {
                    let (what, limit) = ("elements inside each other", MAX_DEPTH as u64);
                    return Err(NotationError::TooBig { place: place(), what, limit });
                }
                count += 1;
                open.push(element(&start, offset).map_err(malformed)?);
            }
            Event::Empty(start) => {
                count += 1;
                closed = Some(element(&start, offset).map_err(malformed)?);
            }
            Event::End(_) => closed = open.pop(),
            Event::Text(piece) if open.is_empty() && piece.trim().is_empty() => {}
            Event::Text(piece) => add_text(&mut open, &piece.xml10_content()).map_err(malformed)?,
            Event::CData(piece) => {
                add_text(&mut open, &piece.xml10_content()).map_err(malformed)?
            }
            Event::GeneralRef(reference) => {
                let character = reference.resolve_char_ref();
                let text = match character.map_err(|error| malformed(error.to_string()))? {
                    Some(character) => character.to_string(),
                    None => resolve_predefined_entity(&reference).map(str::to_owned).ok_or_else(
                        || {
                            let problem =
                                format!("the entity &{}; is not one of XML's own", &*reference);
                            NotationError::Hostile { place: place(), problem }
                        },
                    )?,
                };
                add_text(&mut open, &text).map_err(malformed)?;
            }
            Event::DocType(declaration) if declaration.contains('[') => {
                let problem = "the document type declares entities or elements of its own";
                return Err(NotationError::Hostile { place: place(), problem: problem.to_owned() });
            }
            Event::DocType(_) | Event::Comment(_) | Event::Decl(_) | Event::PI(_) => {}
            Event::Eof => break,
        }
        if count > MAX_ELEMENTS {
            let (what, limit) = ("elements", MAX_ELEMENTS);
            return Err(NotationError::TooBig { place: place(), what, limit });
        }
        if let Some(element) = closed {
            match open.last_mut() {
                Some(parent) => parent.children.push(element),
                None if root.is_none() => root = Some(element),
                None => return Err(malformed("a second root element".to_owned())),
            }
        }
    }
    if let Some(element) = open.pop() {
        let place = Place::in_text(text, element.offset);
        let problem = format!("<{}> is never closed", element.name);
        return Err(NotationError::Malformed { place, problem });
    }
    root.ok_or_else(|| NotationError::Malformed {
        place: Place::File,
        problem: "there is no XML element in it".to_owned(),
    })
}

/// Adds to the text of the innermost element; the error is the problem alone.
fn add_text(open: &mut [Element], text: &str) -> Result<(), String> {
    let element = open.last_mut().ok_or("text outside the root element")?;
    element.text.push_str(text);
    Ok(())
}

/// An element from its opening tag; the error is the problem alone.
fn element(start: &BytesStart<'_>, offset: usize) -> Result<Element, String> {
    let mut attributes = Vec::new();
    for attribute in start.attributes() {
        let attribute = attribute.map_err(|error| error.to_string())?;
        let value = attribute
            .normalized_value(XmlVersion::Implicit1_0)
            .map_err(|error| error.to_string())?;
        attributes.push((attribute.key.0.to_owned(), value.into_owned()));
    }
    let name = start.name().0.to_owned();
    Ok(Element { name, attributes, offset, ..Element::default() })
}
