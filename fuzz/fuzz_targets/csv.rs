#![no_main]

drawoff_fuzz::target!("csv");
