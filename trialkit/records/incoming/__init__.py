"""Records that come in with `trialkit add`: phones' exports, spreadsheets as people keep them."""
