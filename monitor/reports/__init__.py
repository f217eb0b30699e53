"""Reports for people, made from the trail and the store: the handover of a shift, the review of weeks."""
