//! Text from data, made safe to show: hidden characters become visible, markup becomes text, widths are bounded.

/// Most combining marks kept on one letter; more would paint over neighbouring lines.
const MARKS_PER_LETTER: usize = 3;

/// Characters that steer a reader, a terminal or the direction of writing without being seen.
///
/// Source: Unicode Standard annex 9 (bidirectional controls) and general categories Cc and Cf, from memory.
#[must_use]
pub fn is_hidden(c: char) -> bool {
    c.is_control()
        || (c as u32 & 0xfffe) == 0xfffe
        || matches!(c,
            '\u{ad}' | '\u{34f}' | '\u{61c}' | '\u{115f}'..='\u{1160}' | '\u{17b4}'..='\u{17b5}'
            | '\u{180b}'..='\u{180f}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{3164}' | '\u{fe00}'..='\u{fe0f}' | '\u{feff}' | '\u{ffa0}'
            | '\u{fff0}'..='\u{fffb}' | '\u{e0000}'..='\u{e0fff}')
}

/// Whether the character is drawn on top of the one before it.
#[must_use]
pub fn is_combining(c: char) -> bool {
    matches!(c,
        '\u{300}'..='\u{36f}' | '\u{483}'..='\u{489}' | '\u{591}'..='\u{5bd}' | '\u{610}'..='\u{61a}'
        | '\u{64b}'..='\u{65f}' | '\u{e31}' | '\u{e34}'..='\u{e3a}' | '\u{e47}'..='\u{e4e}'
        | '\u{1ab0}'..='\u{1aff}' | '\u{1dc0}'..='\u{1dff}' | '\u{20d0}'..='\u{20ff}'
        | '\u{fe20}'..='\u{fe2f}')
}

/// The text with each hidden character, and each combining mark past the third on a letter, as `[U+XXXX]`.
#[must_use]
pub fn visible(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut marks = 0;
    for c in text.chars() {
        marks = if is_combining(c) { marks + 1 } else { 0 };
        if is_hidden(c) || marks > MARKS_PER_LETTER {
            out.push_str(&format!("[U+{:04X}]", c as u32));
        } else {
            out.push(c);
        }
    }
    out
}

/// Text for HTML content and for double-quoted attributes: hidden characters visible, markup escaped.
#[must_use]
pub fn html(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in visible(text).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            other => out.push(other),
        }
    }
    out
}

/// [`html`] inside an element that keeps the direction of foreign scripts from reaching its neighbours.
#[must_use]
pub fn isolated(text: &str) -> String {
    format!("<bdi>{}</bdi>", html(text))
}

/// [`isolated`], with what stands between two backticks as code. The marks of an odd last one stay.
#[must_use]
pub fn with_code(text: &str) -> String {
    let text = html(text);
    let mut parts = text.split('`');
    let mut out = parts.next().unwrap_or_default().to_owned();
    while let Some(code) = parts.next() {
        match parts.next() {
            Some(after) => out.push_str(&format!("<code>{code}</code>{after}")),
            None => out.push_str(&format!("`{code}")),
        }
    }
    format!("<bdi>{out}</bdi>")
}

/// Columns that a character takes on a terminal: 0, 1 or 2.
#[must_use]
pub fn char_width(c: char) -> usize {
    if is_combining(c) {
        return 0;
    }
    // East Asian wide blocks and pictographs, Unicode Standard annex 11, from memory.
    let wide = matches!(c as u32,
        0x1100..=0x115f | 0x2e80..=0x303e | 0x3041..=0x33ff | 0x3400..=0x4dbf | 0x4e00..=0x9fff
        | 0xa000..=0xa4cf | 0xac00..=0xd7a3 | 0xf900..=0xfaff | 0xfe30..=0xfe6f | 0xff00..=0xff60
        | 0xffe0..=0xffe6 | 0x1f300..=0x1f64f | 0x1f680..=0x1f6ff | 0x1f900..=0x1faff | 0x20000..=0x3fffd);
    if wide { 2 } else { 1 }
}

/// Columns that a text takes on a terminal.
#[must_use]
pub fn width(text: &str) -> usize {
    text.chars().map(char_width).sum()
}

/// The visible text cut to at most `columns`, with an ellipsis where something was cut.
#[must_use]
pub fn fitted(text: &str, columns: usize) -> String {
    let shown = visible(text);
    if width(&shown) <= columns {
        return shown;
    }
    let mut out = String::new();
    let mut used = 0;
    for c in shown.chars() {
        let next = used + char_width(c);
        if next + 1 > columns {
            break;
        }
        out.push(c);
        used = next;
    }
    if columns > 0 {
        out.push('…');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markup_and_direction_marks_become_text() {
        assert_eq!(
            html("<img src=x onerror='a'>&\"\u{202e}"),
            "&lt;img src=x onerror=&#39;a&#39;&gt;&amp;&quot;[U+202E]"
        );
        assert_eq!(visible("a\u{1b}[31mb\r\n"), "a[U+001B][31mb[U+000D][U+000A]");
        assert_eq!(visible("Köln 東京 Ω"), "Köln 東京 Ω");
    }

    #[test]
    fn code_is_marked_and_stays_text() {
        assert_eq!(
            with_code("ask `drawoff <check>` or `x"),
            "<bdi>ask <code>drawoff &lt;check&gt;</code> or `x</bdi>"
        );
        assert_eq!(with_code("```"), "<bdi><code></code>`</bdi>");
        assert_eq!(with_code("plain"), isolated("plain"));
    }

    #[test]
    fn piled_marks_are_bounded() {
        let piled = format!("e{}", "\u{301}".repeat(5));
        assert_eq!(visible(&piled), "e\u{301}\u{301}\u{301}[U+0301][U+0301]");
    }

    #[test]
    fn cutting_counts_columns_not_bytes() {
        assert_eq!(fitted("東京都庁", 5), "東京…");
        assert_eq!(fitted("abcdef", 4), "abc…");
        assert_eq!(fitted("abcd", 4), "abcd");
        assert_eq!(fitted("abcd", 0), "");
        for columns in 0..12 {
            assert!(width(&fitted("e\u{301}東\u{202e}x京abc", columns)) <= columns);
        }
    }
}
