package story

// Password is the passphrase of everybody in the story.
const Password = password
