#![no_main]

drawoff_fuzz::target!("html_writer");
