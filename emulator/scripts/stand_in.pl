#!PERL
# Stands in for a command: asks the emulator what to say, over a Unix socket, and does as it is told.
# Frames are a letter, a length of four bytes, and as many bytes. It tells: A its folder, line, name and arguments, I a piece of
# standard input, D that the command under a limit has ended. It is told: O and F to write on standard output and error,
# R to read standard input, L to run a command under a limit, T that the limit is over, K to die by a signal, X to end.
use strict;
my $socket;
sub lost { syswrite(STDERR, "stand-in: the emulator is gone\n"); kill 9, $$; exit 125 }
sub absent { syswrite(STDERR, "stand-in: the emulator is not there\n"); exit 125 }
socket($socket, 1, 1, 0) or absent();
connect($socket, pack("S a108", 1, $ENV{QUEUEDRILL_SOCKET} // "")) or absent();
sub put { my ($to, $data) = @_; my $done = 0;
    while ($done < length $data) { my $n = syswrite($to, $data, length($data) - $done, $done);
        if (!defined $n) { next if $!{EINTR}; return if $!{EBADF}; kill 13, $$; exit 141 } $done += $n } }
sub say_to { put($socket, $_[0] . pack("N", length $_[1]) . $_[1]) }
my $buffer = "";
sub take { my $n = shift;
    while (length($buffer) < $n) { my $got = sysread($socket, $buffer, 262144, length $buffer);
        if (!defined $got) { next if $!{EINTR}; lost() } lost() unless $got }
    return substr($buffer, 0, $n, "") }
(my $name = $0) =~ s{.*/}{}s;
say_to("A", join("\0", readlink("/proc/self/cwd") // "", $ENV{QUEUEDRILL_LINE} // "", $name, @ARGV));
while (1) {
    my ($kind, $length) = unpack("aN", take(5));
    my $data = take($length);
    if ($kind eq "O") { put(\*STDOUT, $data) }
    elsif ($kind eq "F") { put(\*STDERR, $data) }
    elsif ($kind eq "R") { my $n; do { $n = sysread(STDIN, my $piece, 65536);
        if (!defined $n) { redo if $!{EINTR}; $n = 0 } say_to("I", substr($piece // "", 0, $n)) } while ($n) }
    elsif ($kind eq "L") { limited(split /\0/, $data, -1) }
    elsif ($kind eq "K") { my $number = ord $data; $SIG{$_} = "DEFAULT" for qw(TERM INT HUP); kill $number, $$; sleep 1 }
    else { exit ord $data }
}
sub limited { # the rest of the arguments under a limit of time: it runs below this process, and both are told of the end
    my ($number, @command) = @_;
    my ($read, $write); pipe($read, $write) or lost();
    local $SIG{CHLD} = sub { syswrite($write, "x") };
    my $child = fork() // lost();
    if ($child == 0) { close $socket; $SIG{CHLD} = "DEFAULT"; exec { $command[0] } @command or do {
        syswrite(STDERR, "timeout: $command[0]: $!\n"); exit($!{ENOENT} ? 127 : 126) } }
    my $late = 0;
    while (1) {
        my $set = ""; vec($set, fileno($read), 1) = 1; vec($set, fileno($socket), 1) = 1 unless $late;
        next if select($set, undef, undef, undef) < 0;
        if (!$late && vec($set, fileno($socket), 1)) { take(5); $late = 1; kill $number, $child; kill 18, $child }
        if (vec($set, fileno($read), 1)) { sysread($read, my $byte, 1); last if waitpid($child, 1) == $child }
    }
    my $status = $?;
    my $code = $late ? ($number == 9 ? 137 : 124) : ($status & 127) ? 128 + ($status & 127) : $status >> 8;
    say_to("D", chr $code); exit $code;
}
