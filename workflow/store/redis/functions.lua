#!lua name=LIBRARY

-- Every change of a shop's data is one of these functions: it is done whole, or not at all. What may
-- refuse it is looked at first; what is written after that cannot fail. Keys and fields are described in
-- keys.go, what each function takes in the Go code that calls it.

local function reader(argv)
  local i = 0
  return function()
    i = i + 1
    return argv[i]
  end
end

-- take n groups of m arguments, as one list
local function several(take, m)
  local out = {}
  for i = 1, tonumber(take()) * m do out[i] = take() end
  return out
end

local function split(text, sep)
  local out = {}
  for part in string.gmatch(text or '', '[^' .. sep .. ']+') do out[#out + 1] = part end
  return out
end

-- a call with many arguments, in parts that the stack can hold
local function bulk(command, key, args)
  for i = 1, #args, 1000 do
    redis.call(command, key, unpack(args, i, math.min(i + 999, #args)))
  end
end

-- make the members of a sorted set those of new instead of those of old
local function replace(key, old, new)
  local fresh, gone, add = {}, {}, {}
  for _, m in ipairs(new) do fresh[m] = true end
  for _, m in ipairs(old) do
    if fresh[m] then fresh[m] = nil else gone[#gone + 1] = m end
  end
  for _, m in ipairs(new) do
    if fresh[m] then
      add[#add + 1] = 0
      add[#add + 1] = m
    end
  end
  bulk('ZREM', key, gone)
  bulk('ZADD', key, add)
end

-- lists up to this length are written anew when a job leaves them
local SHORT = 4096

-- where a line begins in a list, from 0; read in parts, as a whole list may be many megabytes
local function placed(list, line)
  local size, part = redis.call('STRLEN', list), 65536
  for at = 0, size - 1, part do
    local text, to = redis.call('GETRANGE', list, math.max(at - 1, 0), at + part + #line - 2), 0
    repeat
      local from
      from, to = string.find(text, line, to + 1, true)
      if from and (at == 0 and from == 1 or string.byte(text, from - 1) == 10) then return math.max(at - 1, 0) + from - 1, size end
    until not from
  end
end

-- take a job out of a word's list, and the word with the last one. In a long list its line is blanked, which costs the
-- append-only file and the replicas a line; of every so many lines, the longer the list the more, one is not, and takes
-- the blanks that gathered with it.
local function unlist(words, prefix, word, number)
  local list, line = prefix .. word, number .. '\n'
  local from, size = placed(list, line)
  if not from then return end
  local many = math.max(256, math.floor(size / #line / 64))
  if size > SHORT and math.floor(from / #line) % many ~= 0 then
    redis.call('SETRANGE', list, from, string.rep('\n', #line))
    return
  end
  local jobs = redis.call('GET', list)
  jobs = string.sub(jobs, 1, from) .. string.sub(jobs, from + #line + 1)
  local kept, at = {}, string.find(jobs, '[^\n]') or #jobs + 1
  while at <= #jobs do
    local blank = string.find(jobs, '\n\n', at, true) or #jobs
    kept[#kept + 1] = string.sub(jobs, at, blank)
    at = string.find(jobs, '[^\n]', blank + 1) or #jobs + 1
  end
  if #kept > 0 then
    redis.call('SET', list, table.concat(kept))
  else
    redis.call('DEL', list)
    redis.call('ZREM', words, word)
  end
end

-- let a job be found by the words of new instead of those of old
local function reword(words, number, old, new)
  local list, line, kept, had = string.match(words, '^%b{}') .. ':', number .. '\n', {}, {}
  for _, w in ipairs(new) do kept[w] = true end
  for _, w in ipairs(old) do
    had[w] = true
    if not kept[w] then unlist(words, list, w, number) end
  end
  for _, w in ipairs(new) do
    if not had[w] and redis.call('APPEND', list .. w, line) == #line then redis.call('ZADD', words, 0, w) end
  end
end

-- byte order, whatever the server's locale
local function before(a, b)
  for i = 1, math.min(#a, #b) do
    local x, y = string.byte(a, i), string.byte(b, i)
    if x ~= y then return x < y end
  end
  return #a < #b
end

local function reschedule(key, member, at)
  if at == '' then redis.call('ZREM', key, member) else redis.call('ZADD', key, at, member) end
end

-- the way an entry goes, by what never changes of it; '' is mail
local function way(static)
  return string.match(static, '"v":"([^"]*)"') or ''
end

-- the queue of a lane's channel, and what stands for the lane in it
local function lane(queue, number, via)
  local channel, rest = string.match(via, '^([^/]*)(.*)$')
  if channel ~= '' then queue = queue .. ':' .. channel end
  return queue, number .. rest
end

-- from when on an entry may be sent, and until when it is leased, by its status
local function times(status) return string.match(status, '^%a*\t(-?%d*)\t(-?%d*)$') end

-- put the lane into its queue by the status of its first queued entry
local function head(queue, number, via, status)
  local at, lease = times(status)
  if lease ~= '' and tonumber(lease) > tonumber(at) then at = lease end
  queue, number = lane(queue, number, via)
  redis.call('ZADD', queue, at, number)
end

-- put the lane's first queued entry into its queue, and no other
local function lead(outbox, queue, number, via)
  local first = string.match(redis.call('HGET', outbox, 'q' .. via) or '', '[^\n]+')
  if first then
    head(queue, number, via, redis.call('HGET', outbox, 's' .. string.sub(first, 13)))
  else
    queue, number = lane(queue, number, via)
    redis.call('ZREM', queue, number)
  end
end

-- let the mails that the job has queued be sent from this instant on, where that is sooner
local function hasten(outbox, queue, number, soon)
  for x in string.gmatch(redis.call('HGET', outbox, 'q') or '', '[^\n]+') do
    local field = 's' .. string.sub(x, 13)
    local at, lease = times(redis.call('HGET', outbox, field))
    if tonumber(at) > tonumber(soon) then redis.call('HSET', outbox, field, 'queued\t' .. soon .. '\t' .. lease) end
  end
  lead(outbox, queue, number, '')
end

local function settlement(take)
  return { number = take(), id = take(), lease = take(), state = take(), retry = take(), attempt = take(), body = take() == '1', bytes = take() }
end

-- whether the entry is held by the lease; what settle needs is then noted
local function claimed(outbox, s)
  local id = s.id
  local f = redis.call('HMGET', outbox, 's' .. id, 'l' .. id, 'a' .. id, 'i' .. id, 'm' .. id)
  s.status, s.attempts, s.place = f[1], f[3] or '', f[4]
  if s.lease == '' or not f[1] or string.sub(f[1], 1, 7) ~= 'queued\t' or f[2] ~= s.lease then return false end
  s.via = way(f[5])
  return true
end

local function settle(ix, queue, outbox, s)
  local id, q = s.id, 'q' .. s.via
  local set, gone = { 'a' .. id, s.attempts .. s.attempt, 's' .. id }, { 'l' .. id }
  if s.state == 'queued' then
    set[4] = 'queued\t' .. s.retry .. '\t'
    if s.body then set[5], set[6] = 'b' .. id, s.bytes end
  else
    set[4] = s.state .. '\t' .. times(s.status) .. '\t'
    gone[2] = 'b' .. id
    local left = {}
    for _, x in ipairs(split(redis.call('HGET', outbox, q), '\n')) do
      if string.sub(x, 13) ~= id then left[#left + 1] = x end
    end
    if #left == 0 then gone[3] = q else set[5], set[6] = q, table.concat(left, '\n') end
    redis.call('ZREM', ix, 'oq' .. s.place)
    if s.state == 'buried' then redis.call('ZADD', ix, 0, 'ob' .. s.place) end
  end
  redis.call('HDEL', outbox, unpack(gone))
  redis.call('HSET', outbox, unpack(set))
  lead(outbox, queue, s.number, s.via)
end

-- put an entry back in its lane; false where it is not buried
local function putback(ix, queue, outbox, number, id, at)
  local f = redis.call('HMGET', outbox, 's' .. id, 'i' .. id, 'm' .. id)
  if not f[1] or string.match(f[1], '^%a*') ~= 'buried' then return false end
  local mine, via = string.match(f[2], '%z(.*)$'), way(f[3])
  local q, placed = {}, false
  for _, x in ipairs(split(redis.call('HGET', outbox, 'q' .. via), '\n')) do
    if not placed and before(mine, x) then
      q[#q + 1] = mine
      placed = true
    end
    q[#q + 1] = x
  end
  if not placed then q[#q + 1] = mine end
  redis.call('HSET', outbox, 'q' .. via, table.concat(q, '\n'), 's' .. id, 'queued\t' .. at .. '\t')
  redis.call('ZREM', ix, 'ob' .. f[2])
  redis.call('ZADD', ix, 0, 'oq' .. f[2])
  lead(outbox, queue, number, via)
  return true
end

local function forget(job, outbox, once, results, number)
  local gone = {}
  for _, f in ipairs(redis.call('HKEYS', job)) do
    if string.sub(f, 1, 1) == '$' then gone[#gone + 1] = f end
  end
  bulk('HDEL', job, gone)
  gone = {}
  for _, f in ipairs(redis.call('HKEYS', outbox)) do
    local kind = string.sub(f, 1, 1)
    if kind == 'b' then gone[#gone + 1] = f end
    if kind == 'a' then
      redis.call('HSET', outbox, f, (string.gsub(redis.call('HGET', outbox, f), '\t[^\t\n]*\n', '\t""\n')))
    end
  end
  bulk('HDEL', outbox, gone)
  local all = redis.call('HGETALL', once)
  for i = 1, #all, 2 do
    if string.match(all[i + 1], '^[^\n]*\n([^\n]*)\n') == number then redis.call('HDEL', results, all[i]) end
  end
end

-- write new entries (id, place, static, status, lease, attempts, body each) behind those that are queued
local function enter(ix, queue, outbox, number, notices)
  local set, places, lanes = {}, {}, {}
  local function put(field, value)
    if value ~= '' then
      set[#set + 1] = field
      set[#set + 1] = value
    end
  end
  local function list(prefix, place)
    places[#places + 1] = 0
    places[#places + 1] = prefix .. place
  end
  for i = 1, #notices, 7 do
    local id, place, static, status, lease, attempts, body = unpack(notices, i, i + 6)
    put('m' .. id, static)
    put('s' .. id, status)
    put('i' .. id, place)
    put('l' .. id, lease)
    put('a' .. id, attempts)
    put('b' .. id, body)
    local kind = string.match(status, '^%a*')
    if kind == 'queued' then
      local via = way(static)
      local q = lanes[via] or redis.call('HGET', outbox, 'q' .. via) or ''
      if q == '' then head(queue, number, via, status) end
      lanes[via] = q .. '\n' .. string.match(place, '%z(.*)$')
      list('oq', place)
    elseif kind == 'buried' then
      list('ob', place)
    end
  end
  for via, q in pairs(lanes) do put('q' .. via, q) end
  bulk('HSET', outbox, set)
  bulk('ZADD', ix, places)
end

-- the reason why the shop's jobs stay as they are, if they do
local function held(key)
  local why = redis.call('GET', string.match(key, '^%b{}') .. 'held')
  return why and { 'held', why }
end

local function commit(keys, argv)
  local ix, words, wakes, changed, queue, links, once, results, ends, job, events, outbox, settled = unpack(keys)
  local take = reader(argv)
  local number, channel, nonce, expect, version = take(), take(), take(), tonumber(take()), take()

  local key, meta, result, till
  if take() == '1' then
    key, meta, result, till = take(), take(), take(), take()
    local first = redis.call('HGET', once, key)
    if first then
      if string.sub(first, 1, #nonce) == nonce then return { 'ok' } end
      return { 'done', first, redis.call('HGET', results, key) }
    end
  end
  local new = several(take, 1)
  local f = redis.call('HMGET', job, 'v', 'm', 'h', 'w', 'z')
  local found = tonumber(f[1] or '0')
  if found ~= expect then
    -- Not a conflict if it is this very commit, whose answer was lost on its way.
    local mine = #new > 0 and redis.call('LINDEX', events, expect)
    if mine and string.sub(mine, 1, #nonce) == nonce then return { 'ok' } end
    return { 'conflict', tostring(found) }
  end
  if f[5] then return { 'compact' } end
  local s
  if take() == '0' then
    local no = held(ix)
    if no then return no end
  else
    s = settlement(take)
    if not claimed(settled, s) then return { 'lease' } end
  end
  local notices = several(take, 7) -- id, place, static, status, lease, attempts, body
  local named = {}
  for i = 1, #notices, 7 do
    local id = notices[i]
    if named[id] or redis.call('HEXISTS', outbox, 'm' .. id) == 1 then return { 'twice', id } end
    named[id] = true
  end

  local state, index, members, sum, text, wake, change = take(), take(), take(), take(), take(), take(), take()
  local course, coursed, now, hurry, again = take(), take(), take(), take(), several(take, 1)
  if s then settle(ix, queue, settled, s) end
  for _, id in ipairs(again) do putback(ix, queue, outbox, number, id, now) end
  if hurry == '1' then hasten(outbox, queue, number, now) end
  if take() == '1' then forget(job, outbox, once, results, number) end
  bulk('HDEL', job, several(take, 1)) -- secrets that are wiped
  local set = several(take, 2) -- secrets
  local n = #set
  set[n + 1], set[n + 2], set[n + 3], set[n + 4], set[n + 5], set[n + 6] = 'v', version, 's', state, 'x', index
  n = n + 6
  if f[2] ~= members then
    set[n + 1], set[n + 2] = 'm', members
    n = n + 2
    replace(ix, split(f[2], '\n'), split(members, '\n'))
  end
  if f[3] ~= sum then
    local old = redis.call('HGET', job, 't')
    if old ~= text then reword(words, number, split(old, ' '), split(text, ' ')) end
    set[n + 1], set[n + 2], set[n + 3], set[n + 4] = 'h', sum, 't', text
    n = n + 4
  end
  if course ~= '' then
    set[n + 1], set[n + 2] = 'c', course
    n = n + 2
    redis.call('ZADD', ix, 0, coursed)
  end
  if f[4] ~= wake then
    set[n + 1], set[n + 2] = 'w', wake
    reschedule(wakes, number, wake)
  end
  bulk('HSET', job, set)
  redis.call('ZADD', changed, change, number)
  bulk('RPUSH', events, new)
  bulk('HSET', links, several(take, 2))
  enter(ix, queue, outbox, number, notices)
  if key then
    redis.call('HSET', once, key, meta)
    if result ~= '' then redis.call('HSET', results, key, result) end
    if till ~= '' then redis.call('ZADD', ends, till, key) end
  end
  if #new > 0 then redis.call('SPUBLISH', channel, number .. ' ' .. version .. ' ' .. #notices / 7 + #again) end
  return { 'ok' }
end

-- Lease the heads of a channel's queue that are ready. The outboxes of the jobs are only known here; all of them
-- are read before the first is written, so that a slot on its way to another server fails it whole.
local function claim(keys, argv)
  local now, till, limit, lease, prefix, channel = unpack(argv)
  local no = held(keys[1])
  if no then return no end
  local out, boxes, ids, times, members = {}, {}, {}, {}, {}
  for _, member in ipairs(redis.call('ZRANGEBYSCORE', keys[1], '-inf', now, 'LIMIT', 0, limit)) do
    local number, rest = string.match(member, '^([^/]*)(.*)$')
    local box = prefix .. number
    local id = string.sub(string.match(redis.call('HGET', box, 'q' .. channel .. rest), '[^\n]+'), 13)
    local f = redis.call('HMGET', box, 'm' .. id, 's' .. id, 'a' .. id, 'b' .. id)
    boxes[#boxes + 1], ids[#ids + 1], times[#times + 1], members[#members + 1] = box, id, string.match(f[2], '\t(-?%d*)\t'), member
    out[#out + 1] = { number, id, f[1], f[2], f[3] or '', f[4] or '' }
  end
  for i, box in ipairs(boxes) do
    redis.call('HSET', box, 's' .. ids[i], 'queued\t' .. times[i] .. '\t' .. till, 'l' .. ids[i], lease)
    local at = till
    if tonumber(times[i]) > tonumber(till) then at = times[i] end
    redis.call('ZADD', keys[1], at, members[i])
  end
  return out
end

local function settleentry(keys, argv)
  local s = settlement(reader(argv))
  if not claimed(keys[3], s) then return { 'lease' } end
  settle(keys[1], keys[2], keys[3], s)
  return { 'ok' }
end

local function requeue(keys, argv)
  local ix, queue, outbox = unpack(keys)
  local number, id, at = unpack(argv)
  local no = held(ix)
  if no then return no end
  return { putback(ix, queue, outbox, number, id, at) and 'ok' or 'none' }
end

-- values are "<until in ms, or nothing>\n<bytes>"
local function live(v, now)
  if not v then return nil end
  local till, bytes = string.match(v, '^(-?%d*)\n(.*)$')
  if till ~= '' and tonumber(till) <= tonumber(now) then return nil end
  return bytes, till
end

local function put(keys, argv)
  local key, member, bytes, till = unpack(argv)
  redis.call('HSET', keys[1], key, till .. '\n' .. bytes)
  reschedule(keys[2], member, till)
  return { 'ok' }
end

local function putnew(keys, argv)
  if live(redis.call('HGET', keys[1], argv[1]), argv[5]) then return { 'there' } end
  return put(keys, argv)
end

local function count(keys, argv)
  local key, member, till, now = unpack(argv)
  local bytes, ends = live(redis.call('HGET', keys[1], key), now)
  if bytes then
    if not string.match(bytes, '^-?%d+$') then return { 'not' } end
    till = ends
  end
  local n = string.format('%d', tonumber(bytes or '0') + 1)
  put(keys, { key, member, n, till })
  return { 'ok', n }
end

local function delete(keys, argv)
  redis.call('HDEL', keys[1], argv[1])
  redis.call('ZREM', keys[2], argv[2])
  return { 'ok' }
end

-- keys: the ends, then a bucket for every argument after the first
local function sweep(keys, argv)
  local now = argv[1]
  for i = 2, #argv, 2 do
    local ends = redis.call('ZSCORE', keys[1], argv[i + 1])
    if ends and tonumber(ends) <= tonumber(now) then
      redis.call('HDEL', keys[1 + i / 2], argv[i])
      redis.call('ZREM', keys[1], argv[i + 1])
    end
  end
  return { 'ok' }
end

local function sweeponce(keys, argv)
  local gone = redis.call('ZRANGEBYSCORE', keys[3], '-inf', argv[1], 'LIMIT', 0, 1000)
  bulk('HDEL', keys[1], gone)
  bulk('HDEL', keys[2], gone)
  bulk('ZREM', keys[3], gone)
  return { 'ok', tostring(#gone) }
end

-- make one packed value of all that a job is, but for what lists and searches need
local function pack(keys, argv)
  local ix, job, events, outbox = unpack(keys)
  local version, blob, mark = unpack(argv)
  local f = redis.call('HMGET', job, 'v', 'z')
  redis.call('ZREM', ix, mark)
  if f[1] ~= version or f[2] then return { 'conflict' } end
  local gone = { 's' }
  for _, name in ipairs(redis.call('HKEYS', job)) do
    if string.sub(name, 1, 1) == '$' then gone[#gone + 1] = name end
  end
  bulk('HDEL', job, gone)
  redis.call('HSET', job, 'z', '1', 'Z', blob)
  redis.call('DEL', events, outbox)
  return { 'ok' }
end

local function unpacked(keys, argv)
  local ix, job, events, outbox = unpack(keys)
  local take = reader(argv)
  local version, mark = take(), take()
  local f = redis.call('HMGET', job, 'v', 'z')
  if f[1] ~= version or not f[2] then return { 'conflict' } end
  redis.call('HDEL', job, 'z', 'Z')
  bulk('HSET', job, several(take, 2))
  bulk('RPUSH', events, several(take, 1))
  bulk('HSET', outbox, several(take, 2))
  redis.call('ZADD', ix, 0, mark)
  return { 'ok' }
end

-- Write a job as it is elsewhere, in place of the one that is there in this version.
local function bring(keys, argv)
  local ix, words, wakes, changed, queue, job, events, outbox = unpack(keys)
  local take = reader(argv)
  local number, expect, oldcourse = take(), take(), take()
  local f = redis.call('HMGET', job, 'v', 'm', 't')
  if (f[1] or '') ~= expect then return { 'conflict' } end
  local lanes = {}
  if f[1] then
    local gone = split(f[2], '\n')
    local box = redis.call('HGETALL', outbox)
    for i = 1, #box, 2 do
      if string.sub(box[i], 1, 1) == 'i' then
        gone[#gone + 1] = 'oq' .. box[i + 1]
        gone[#gone + 1] = 'ob' .. box[i + 1]
      elseif string.sub(box[i], 1, 1) == 'q' then
        lanes[#lanes + 1] = string.sub(box[i], 2)
      end
    end
    if oldcourse ~= '' then gone[#gone + 1] = oldcourse end
    bulk('ZREM', ix, gone)
    reword(words, number, split(f[3], ' '), {})
    redis.call('DEL', job, events, outbox)
  end
  local members, text, wake, change, course = take(), take(), take(), take(), take()
  bulk('HSET', job, several(take, 2))
  replace(ix, {}, split(members, '\n'))
  reword(words, number, {}, split(text, ' '))
  if course ~= '' then redis.call('ZADD', ix, 0, course) end
  reschedule(wakes, number, wake)
  redis.call('ZADD', changed, change, number)
  bulk('RPUSH', events, several(take, 1))
  enter(ix, queue, outbox, number, several(take, 7))
  for _, via in ipairs(lanes) do lead(outbox, queue, number, via) end
  return { 'ok' }
end

-- Write rows that stand beside the jobs: links, then steps. Those of jobs that are not there are left out.
local function bringrows(keys, argv)
  local links, once, results, ends = unpack(keys)
  local take = reader(argv)
  local prefix = take()
  local function there(number) return redis.call('HEXISTS', prefix .. number, 'v') == 1 end
  local l = several(take, 3)
  for i = 1, #l, 3 do
    if there(l[i]) then redis.call('HSET', links, l[i + 1], l[i + 2]) end
  end
  local o = several(take, 5) -- job, key, meta, result, until
  for i = 1, #o, 5 do
    if there(o[i]) then
      redis.call('HSET', once, o[i + 1], o[i + 2])
      if o[i + 3] ~= '' then redis.call('HSET', results, o[i + 1], o[i + 3]) else redis.call('HDEL', results, o[i + 1]) end
      reschedule(ends, o[i + 1], o[i + 4])
    end
  end
  return { 'ok' }
end

local function hold(keys, argv)
  if argv[1] == '' then redis.call('DEL', keys[1]) else redis.call('SET', keys[1], argv[1]) end
  return { 'ok' }
end

redis.register_function('LIBRARY_commit', commit)
redis.register_function('LIBRARY_bring', bring)
redis.register_function('LIBRARY_bringrows', bringrows)
redis.register_function('LIBRARY_hold', hold)
redis.register_function('LIBRARY_claim', claim)
redis.register_function('LIBRARY_settle', settleentry)
redis.register_function('LIBRARY_requeue', requeue)
redis.register_function('LIBRARY_put', put)
redis.register_function('LIBRARY_putnew', putnew)
redis.register_function('LIBRARY_count', count)
redis.register_function('LIBRARY_delete', delete)
redis.register_function('LIBRARY_sweep', sweep)
redis.register_function('LIBRARY_sweeponce', sweeponce)
redis.register_function('LIBRARY_pack', pack)
redis.register_function('LIBRARY_unpack', unpacked)
