#![no_main]

drawoff_fuzz::target!("csv_writer");
