//! What is around every page: head, style, title, links.

use super::prose;
use crate::text;

/// Where a page stands among the pages of its run; the default is a page that stands alone.
#[derive(Clone, Copy, Debug, Default)]
pub struct Frame<'a> {
    /// File and name of each page of the run.
    pub pages: &'a [(&'a str, &'a str)],
    /// What leads from this page's folder to that of the pages, such as `../`.
    pub up: &'a str,
    /// File of this page.
    pub here: &'a str,
    /// Whether the page carries the script that sorts and filters its list.
    pub sorts: bool,
}

/// The script of pages with a list: it sorts and filters rows that are there already.
const SCRIPT: &str = include_str!("list.js");
/// The only script that a browser may run on these pages: SHA-256 of [`SCRIPT`], held by a test.
const SCRIPT_HASH: &str = "sha256-Y0b8xCHAQp4YVnqavNWrfefCoZI8SLyJuRgzfG+ljdY=";

/// A page about `body`, which is HTML; title and lead are text. The first link is where the skip link leads.
pub(crate) fn shell_in(
    frame: &Frame<'_>,
    title: &str,
    lead: &str,
    links: &[(&str, &str)],
    body: &str,
) -> String {
    let title = text::html(title);
    let first = links.first().map_or("#content", |l| l.0);
    let links: Vec<String> = links.iter().map(|(to, name)| format!("<a href=\"{to}\">{name}</a>")).collect();
    let on_page = if links.is_empty() {
        String::new()
    } else {
        format!("<nav aria-label=\"On this page\">{}</nav>\n", links.join(" "))
    };
    let (policy, script) = if frame.sorts {
        (format!("; script-src '{SCRIPT_HASH}'"), format!("<script>{SCRIPT}</script>\n"))
    } else {
        (String::new(), String::new())
    };
    format!(
        "<!DOCTYPE html>\n<html lang=\"en-GB\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'{policy}\">\n\
         <meta name=\"referrer\" content=\"no-referrer\">\n<meta name=\"color-scheme\" content=\"light dark\">\n\
         <title>{title}</title>\n<style>\n{}</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"{first}\">Skip to the content</a>\n<header>\n{}<h1>{title}</h1>\n<p class=\"lead\">{}</p>\n\
         {on_page}</header>\n<main id=\"content\">\n{body}</main>\n<footer><p>{}</p></footer>\n{script}</body>\n</html>\n",
        include_str!("style.css"),
        around(frame),
        text::html(lead),
        prose::FOOT,
    )
}

/// Links to the pages of the run, the own one marked and no link.
fn around(frame: &Frame<'_>) -> String {
    if frame.pages.is_empty() {
        return String::new();
    }
    let links: Vec<String> = frame
        .pages
        .iter()
        .map(|(file, name)| {
            let (file, name) = (text::html(file), text::html(name));
            if *file == *frame.here {
                format!("<b aria-current=\"page\">{name}</b>")
            } else {
                format!("<a href=\"{}{file}\">{name}</a>", frame.up)
            }
        })
        .collect();
    format!("<nav class=\"pages\" aria-label=\"Pages of this run\">{}</nav>\n", links.join(" "))
}

#[cfg(test)]
mod tests {
    use sha2::{Digest, Sha256};

    use super::*;

    const SIGNS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

    /// RFC 4648, section 4, for the 32 bytes of a hash.
    fn base64(bytes: &[u8]) -> String {
        let mut out = String::new();
        for three in bytes.chunks(3) {
            let bits = three.iter().fold(0_u32, |all, &b| all << 8 | u32::from(b)) << (8 * (3 - three.len()));
            for place in 0..4 {
                let sign = SIGNS[(bits >> (18 - 6 * place)) as usize & 63];
                out.push(if place <= three.len() { char::from(sign) } else { '=' });
            }
        }
        out
    }

    #[test]
    fn browsers_may_run_this_script_and_no_other() {
        assert_eq!(SCRIPT_HASH, format!("sha256-{}", base64(&Sha256::digest(SCRIPT))));
        let page = |sorts| shell_in(&Frame { sorts, ..Frame::default() }, "t", "l", &[], "");
        assert!(page(true).contains(&format!("script-src '{SCRIPT_HASH}'")));
        assert!(!page(false).contains("script"));
    }

    #[test]
    fn the_own_page_is_named_and_no_link() {
        let pages = [("index.html", "Overview"), ("list.html", "The list")];
        let html = around(&Frame { pages: &pages, up: "../", here: "list.html", sorts: false });
        assert!(
            html.contains("<a href=\"../index.html\">Overview</a> <b aria-current=\"page\">The list</b>"),
            "{html}"
        );
    }
}
