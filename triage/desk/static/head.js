// The head of a page on a phone: its links are in one row that is pushed aside; the page that is open shows.

const current = document.querySelector(".mast [aria-current]"), row = current?.closest("nav");
if (row) row.scrollLeft += current.getBoundingClientRect().left - row.getBoundingClientRect().left - row.clientWidth / 3;
