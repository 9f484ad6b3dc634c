//! From text to cards: comments taken out, continuation lines joined, every card with its place.

use std::sync::Arc;

use crate::error::{NetlistError, Place};

/// One card as written, with where it began.
#[derive(Debug, Clone)]
pub(super) struct Card {
    pub(super) place: Place,
    pub(super) tokens: Vec<Token>,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) enum Token {
    Word(String),
    /// What stood in braces or quotes.
    Expression(String),
    Open,
    Close,
    Equals,
}

/// A card before it is cut into tokens.
pub(super) struct Raw {
    pub(super) line: usize,
    pub(super) text: String,
}

/// Cuts a comment off the end of a line. `;` and `//` begin one, and so does `$` between blanks.
fn without_comment(line: &str) -> &str {
    let mut end = line.len();
    for (i, _) in line.match_indices(';').take(1) {
        end = end.min(i);
    }
    if let Some(i) = line.find("//") {
        end = end.min(i);
    }
    let blank = |c: char| c.is_whitespace();
    for (i, _) in line.match_indices('$') {
        if line[..i].ends_with(blank) && (line[i + 1..].starts_with(blank) || line[i + 1..].is_empty()) {
            end = end.min(i);
            break;
        }
    }
    &line[..end]
}

/// The cards of a text after its first line, in order.
pub(super) fn gather(lines: &[&str], first: usize, file: &Arc<str>) -> Result<Vec<Raw>, NetlistError> {
    let mut cards: Vec<Raw> = Vec::new();
    for (i, line) in lines.iter().enumerate().skip(first) {
        let whole = line.trim();
        if whole.is_empty() || whole.starts_with('*') {
            continue;
        }
        let text = without_comment(whole).trim();
        if text.is_empty() {
            continue;
        }
        if let Some(more) = text.strip_prefix('+') {
            let Some(last) = cards.last_mut() else {
                let place = Place { file: file.clone(), line: i + 1, card: whole.into() };
                return Err(NetlistError::at(&place, "a continuation line with nothing before it", "a card first"));
            };
            last.text.push(' ');
            last.text.push_str(more.trim());
        } else {
            cards.push(Raw { line: i + 1, text: text.to_owned() });
        }
    }
    Ok(cards)
}

/// Cuts a card into tokens. Case is folded; commas count as blanks.
pub(super) fn tokens(place: Place) -> Result<Card, NetlistError> {
    let text = place.card.to_lowercase();
    let mut tokens = Vec::new();
    let mut rest = text.as_str();
    while let Some(c) = rest.chars().next() {
        let after = &rest[c.len_utf8()..];
        if c.is_whitespace() || c == ',' {
            rest = after;
            continue;
        }
        let closing = match c {
            '(' => {
                tokens.push(Token::Open);
                rest = after;
                continue;
            }
            ')' => {
                tokens.push(Token::Close);
                rest = after;
                continue;
            }
            '=' => {
                tokens.push(Token::Equals);
                rest = after;
                continue;
            }
            '{' => '}',
            '\'' => '\'',
            '"' => '"',
            _ => {
                let end = rest
                    .find(|c: char| c.is_whitespace() || matches!(c, ',' | '(' | ')' | '=' | '{' | '\'' | '"'))
                    .unwrap_or(rest.len());
                // A capital M may mean mega to its writer: numbers keep their case for that one note.
                let start = text.len() - rest.len();
                let written = place.card.get(start..start + end).filter(|w| w.eq_ignore_ascii_case(&rest[..end]));
                tokens.push(Token::Word(written.unwrap_or(&rest[..end]).to_owned()));
                rest = &rest[end..];
                continue;
            }
        };
        let Some(end) = after.find(closing) else {
            return Err(NetlistError::at(&place, format!("`{c}` is not closed"), format!("`{closing}`")));
        };
        tokens.push(Token::Expression(after[..end].to_owned()));
        rest = &after[end + closing.len_utf8()..];
    }
    Ok(Card { place, tokens })
}
