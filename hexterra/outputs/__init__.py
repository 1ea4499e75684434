"""What a plan is written to: tables, a document, maps, geodata, and the folder that holds them."""
