"""What a maker can cut: patterns of tops and crossings of water, as editable data."""
