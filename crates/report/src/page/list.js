(function () {
  'use strict';
  var table = document.querySelector('table[data-sorts]');
  if (!table) return;
  var body = table.tBodies[0], rows = Array.prototype.slice.call(body.rows);
  var all = Number(table.getAttribute('data-all')) || rows.length;
  var heads = Array.prototype.slice.call(table.tHead.rows[0].cells);
  function make(tag, into, words) {
    var one = document.createElement(tag);
    if (words) one.textContent = words;
    into.appendChild(one);
    return one;
  }
  var tools = document.createElement('div');
  tools.className = 'tools';
  var ask = make('label', tools, 'Only rows with ');
  var box = make('input', ask);
  box.type = 'search';
  box.id = 'filter';
  var order = make('label', tools, 'Order by ');
  var pick = make('select', order);
  pick.id = 'order';
  heads.forEach(function (head, i) { make('option', pick, head.textContent).value = i; });
  var said = make('p', tools);
  said.setAttribute('role', 'status');
  table.parentNode.insertBefore(tools, table);
  function filter() {
    var wanted = box.value.trim().toLowerCase(), shown = 0;
    rows.forEach(function (row) {
      row.hidden = wanted !== '' && row.textContent.toLowerCase().indexOf(wanted) < 0;
      if (!row.hidden) shown += 1;
    });
    said.textContent = shown + ' of ' + rows.length + (all > rows.length ? ' rows of this page shown; the list has ' + all : ' rows shown');
  }
  function sort() {
    var at = Number(pick.value);
    var key = function (row) { return row.cells[at].getAttribute('data-k') || row.cells[at].textContent; };
    var down = heads[at].hasAttribute('data-down');
    rows.sort(function (a, b) {
      var x = key(a), y = key(b), both = x !== '' && y !== '' && !isNaN(x) && !isNaN(y);
      var by = both ? x - y : x.localeCompare(y);
      return (down ? -by : by) || a.cells[0].getAttribute('data-k') - b.cells[0].getAttribute('data-k');
    });
    rows.forEach(function (row) { body.appendChild(row); });
    heads.forEach(function (head, i) {
      if (i === at) head.setAttribute('aria-sort', down ? 'descending' : 'ascending');
      else head.removeAttribute('aria-sort');
    });
  }
  box.addEventListener('input', filter);
  pick.addEventListener('change', sort);
  filter();
})();
