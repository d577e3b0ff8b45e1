/**
 * The values that the viewer shows, as `media/page.py` writes them. All times are seconds in a sound; bars and
 * labels are counted from 0 over the whole piece.
 *
 * @typedef {readonly [note: string, start: number, end: number]} Sounding  a note id and when it sounds
 *
 * @typedef {object} Sound
 * @property {string} source  where the audio lies: a data URL or a path beside the page
 * @property {number} length  seconds
 * @property {Sounding[]} notes
 *
 * @typedef {object} Bar
 * @property {string} id  of the bar's group in the engraved pages
 * @property {string} number  as printed
 * @property {number} start
 * @property {number} end
 * @property {string} words  the bar's chords for those who listen to the page
 *
 * @typedef {object} Label  a chord of the reading; its place in the list is its `data-index` in the pages
 * @property {number} start
 * @property {number} end
 * @property {string} words  such as "⟨V65⟩ in F minor"
 *
 * @typedef {object} Layout  the same music, broken for a width
 * @property {number} width  millimetres at which the music has its natural size
 * @property {string[]} pages  SVG documents
 *
 * @typedef {{name: string, short: string, start: number, end: number}} KeyStretch
 * @typedef {{text: string, colour: string}} LegendEntry
 * @typedef {{name: string, sound: Sound, captions: [string, number, number][]}} NamedSound
 *
 * @typedef {object} Stop
 * @property {number} first
 * @property {number} last  bars, both included
 * @property {string} place
 * @property {string} heading
 * @property {string[]} words  paragraphs
 * @property {string} question
 * @property {string} answer
 * @property {string} suggestion  how to play it
 * @property {string} excerpt  SVG
 * @property {NamedSound[]} sounds  besides the bars themselves
 * @property {number[]} contrasts  which of the lesson's contrasts belong here
 * @property {Sounding[]} struck  when the notes of its bars are written to sound, in quarter notes of the piece
 * @property {number} seconds  that it takes in a lesson; 0 where nobody knows
 *
 * @typedef {object} Side
 * @property {string} name
 * @property {string} picture  SVG
 * @property {Sound} sound
 * @property {number} lasts  seconds that its bars take; 0: as many as in the others
 *
 * @typedef {object} Contrast
 * @property {string} heading
 * @property {string} place
 * @property {string} listen  what to listen for
 * @property {Side[]} sides
 *
 * @typedef {object} Question  to answer on the page
 * @property {string} id
 * @property {"choose"|"place"|"type"|"play"|"bar"} way
 * @property {number} first
 * @property {number} last  bars that are shown, both included
 * @property {string} prompt
 * @property {string} sealed  `Answers` as JSON in base64
 * @property {string[]} marked  notes
 * @property {[number, number]|null} hears  bars that may be heard
 * @property {string[]} choices
 * @property {[words: string, notes: string[]][]} spots  places to choose
 * @property {""|"numeral"|"note"} sign  what is typed
 *
 * @typedef {object} Answers
 * @property {number[]} right  of the choices, the spots or the bars
 * @property {string[]} accepted  texts
 * @property {string[]} nearly  texts that name the chord with another bass
 * @property {number[]} keys  to play, from C as 0; the lowest first where `low`
 * @property {boolean} low
 * @property {string[]} whyNot  for each choice or spot
 * @property {string} reason
 *
 * @typedef {{id: string, questions: Question[], keys: string[]}} Homework  `keys` names twelve of them from C
 * @typedef {{heading: string, text: string}} Passage
 * @typedef {{term: string, meaning: string}} Term
 * @typedef {{head: string, figures: string[], target: string}} NumeralParts
 *
 * @typedef {Partial<Record<"wrong"|"missed"|"extra", string[]>>} Slips  ids of notes: another key struck, none, one besides
 *
 * @typedef {object} Playing
 * @property {string} picture  the takes beside the plan, as an SVG document
 * @property {{name: string, told: string[], slips: Slips}[]} takes  in words, the latest first
 * @property {Record<string, string>} signs  what each kind of slip is called
 * @property {TakesOverTime} times
 *
 * @typedef {object} TakesOverTime
 * @property {string[]} told  what became of slips
 * @property {string[]} headings  of the table
 * @property {string[][]} rows  a take each, the oldest first
 *
 * @typedef {object} Lesson
 * @property {string} language
 * @property {string} title
 * @property {string} composer
 * @property {string} summary
 * @property {Layout[]} layouts  widest first
 * @property {Sound|null} sound  of the whole piece
 * @property {Bar[]} bars
 * @property {Label[]} labels
 * @property {KeyStretch[]} keys
 * @property {[number, number][]} tension  points (second, 0..1)
 * @property {LegendEntry[]} legend
 * @property {Stop[]} stops
 * @property {Contrast[]} contrasts
 * @property {Playing|null} playing  the teacher's takes
 * @property {number} minutes  of the lesson as planned; 0 where nobody knows
 * @property {Passage[]} story
 * @property {Term[]} glossary
 * @property {Homework|null} homework
 * @property {Record<string, NumeralParts>} numerals  how each numeral between ⟨ and ⟩ is set
 * @property {string[]} credits
 * @property {string[]} cautions
 */

export {};
