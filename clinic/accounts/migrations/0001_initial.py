"""Accounts, and what is kept about them: before everything of the clinic, which points at accounts."""

import django.contrib.auth.models
import django.contrib.auth.validators
import django.contrib.postgres.fields
import django.db.models.deletion
import django.utils.timezone
import pgtrigger.compiler
import pgtrigger.migrations
import uuid
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('auth', '0012_alter_user_first_name_max_length'),
        ('pghistory', '0007_auto_20250421_0444'),
    ]

    operations = [
        migrations.CreateModel(
            name='User',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('password', models.CharField(max_length=128, verbose_name='password')),
                ('last_login', models.DateTimeField(blank=True, null=True, verbose_name='last login')),
                ('is_superuser', models.BooleanField(default=False, help_text='Designates that this user has all permissions without explicitly assigning them.', verbose_name='superuser status')),
                ('username', models.CharField(error_messages={'unique': 'A user with that username already exists.'}, help_text='Required. 150 characters or fewer. Letters, digits and @/./+/-/_ only.', max_length=150, unique=True, validators=[django.contrib.auth.validators.UnicodeUsernameValidator()], verbose_name='username')),
                ('first_name', models.CharField(blank=True, max_length=150, verbose_name='first name')),
                ('last_name', models.CharField(blank=True, max_length=150, verbose_name='last name')),
                ('email', models.EmailField(blank=True, max_length=254, verbose_name='email address')),
                ('is_staff', models.BooleanField(default=False, help_text='Designates whether the user can log into this admin site.', verbose_name='staff status')),
                ('is_active', models.BooleanField(default=True, help_text='Designates whether this user should be treated as active. Unselect this instead of deleting accounts.', verbose_name='active')),
                ('date_joined', models.DateTimeField(default=django.utils.timezone.now, verbose_name='date joined')),
                ('is_demo', models.BooleanField(default=False, help_text='Signs in to a demonstration on its own machine only.')),
                ('groups', models.ManyToManyField(blank=True, help_text='The groups this user belongs to. A user will get all permissions granted to each of their groups.', related_name='user_set', related_query_name='user', to='auth.group', verbose_name='groups')),
                ('user_permissions', models.ManyToManyField(blank=True, help_text='Specific permissions for this user.', related_name='user_set', related_query_name='user', to='auth.permission', verbose_name='user permissions')),
            ],
            options={
                'verbose_name': 'user',
                'verbose_name_plural': 'users',
                'abstract': False,
            },
            managers=[
                ('objects', django.contrib.auth.models.UserManager()),
            ],
        ),
        migrations.CreateModel(
            name='AccountAct',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('acted_at', models.DateTimeField()),
                ('act', models.CharField(choices=[('invited', 'Invited'), ('withdrawn', 'Invitation withdrawn'), ('joined', 'Joined'), ('changed', 'Role or locations changed'), ('shut_out', 'Shut out'), ('let_in', 'Let in again'), ('sessions_ended', 'Signed out everywhere'), ('factor_reset', 'Second step reset'), ('factor_added', 'Second step added'), ('factor_removed', 'Second step removed'), ('codes_made', 'New recovery codes'), ('password_changed', 'Password changed'), ('password_mailed', 'Link for a lost password mailed'), ('password_replaced', 'New password by a mailed link'), ('address_changed', 'E-mail address changed')], max_length=20)),
                ('about', models.CharField(blank=True, max_length=200)),
                ('acted_by', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('user', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='acts', to=settings.AUTH_USER_MODEL)),
            ],
        ),
        migrations.CreateModel(
            name='Invitation',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('token_hash', models.CharField(max_length=64, unique=True)),
                ('name', models.CharField(max_length=150)),
                ('email', models.EmailField(max_length=254)),
                ('role', models.CharField(choices=[('desk', 'Front desk'), ('therapist', 'Therapist'), ('manager', 'Manager'), ('administrator', 'Administrator')], max_length=16)),
                ('location_ids', django.contrib.postgres.fields.ArrayField(base_field=models.BigIntegerField(), blank=True, default=list, size=None)),
                ('invited_at', models.DateTimeField()),
                ('expires_at', models.DateTimeField()),
                ('accepted_at', models.DateTimeField(blank=True, null=True)),
                ('withdrawn_at', models.DateTimeField(blank=True, null=True)),
                ('invited_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('user', models.OneToOneField(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='invitation', to=settings.AUTH_USER_MODEL)),
            ],
        ),
        migrations.CreateModel(
            name='Letter',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('kind', models.CharField(choices=[('lost', 'Link for a lost password'), ('notice', 'Something was done to the account')], max_length=8)),
                ('to', models.EmailField(blank=True, max_length=254)),
                ('act', models.CharField(blank=True, choices=[('invited', 'Invited'), ('withdrawn', 'Invitation withdrawn'), ('joined', 'Joined'), ('changed', 'Role or locations changed'), ('shut_out', 'Shut out'), ('let_in', 'Let in again'), ('sessions_ended', 'Signed out everywhere'), ('factor_reset', 'Second step reset'), ('factor_added', 'Second step added'), ('factor_removed', 'Second step removed'), ('codes_made', 'New recovery codes'), ('password_changed', 'Password changed'), ('password_mailed', 'Link for a lost password mailed'), ('password_replaced', 'New password by a mailed link'), ('address_changed', 'E-mail address changed')], max_length=20)),
                ('about', models.CharField(blank=True, max_length=200)),
                ('address', models.CharField(blank=True, max_length=45)),
                ('written_at', models.DateTimeField()),
                ('due_at', models.DateTimeField()),
                ('expires_at', models.DateTimeField()),
                ('tries', models.PositiveSmallIntegerField(default=0)),
                ('sent_at', models.DateTimeField(blank=True, null=True)),
                ('token_hash', models.CharField(max_length=64, null=True, unique=True)),
                ('used_at', models.DateTimeField(blank=True, null=True)),
                ('user', models.ForeignKey(null=True, on_delete=django.db.models.deletion.PROTECT, related_name='letters', to=settings.AUTH_USER_MODEL)),
            ],
        ),
        migrations.CreateModel(
            name='SignIn',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('public_id', models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ('session_key', models.CharField(db_index=True, max_length=40)),
                ('device', models.CharField(blank=True, max_length=200)),
                ('address', models.CharField(blank=True, max_length=45)),
                ('began_at', models.DateTimeField()),
                ('seen_at', models.DateTimeField()),
                ('ended_at', models.DateTimeField(blank=True, null=True)),
                ('user', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='sign_ins', to=settings.AUTH_USER_MODEL)),
            ],
        ),
        migrations.CreateModel(
            name='UserChange',
            fields=[
                ('pgh_id', models.AutoField(primary_key=True, serialize=False)),
                ('pgh_created_at', models.DateTimeField(auto_now_add=True)),
                ('pgh_label', models.TextField(help_text='The event label.')),
                ('id', models.BigIntegerField()),
                ('is_superuser', models.BooleanField(default=False, help_text='Designates that this user has all permissions without explicitly assigning them.', verbose_name='superuser status')),
                ('username', models.CharField(error_messages={'unique': 'A user with that username already exists.'}, help_text='Required. 150 characters or fewer. Letters, digits and @/./+/-/_ only.', max_length=150, validators=[django.contrib.auth.validators.UnicodeUsernameValidator()], verbose_name='username')),
                ('first_name', models.CharField(blank=True, max_length=150, verbose_name='first name')),
                ('last_name', models.CharField(blank=True, max_length=150, verbose_name='last name')),
                ('email', models.EmailField(blank=True, max_length=254, verbose_name='email address')),
                ('is_staff', models.BooleanField(default=False, help_text='Designates whether the user can log into this admin site.', verbose_name='staff status')),
                ('is_active', models.BooleanField(default=True, help_text='Designates whether this user should be treated as active. Unselect this instead of deleting accounts.', verbose_name='active')),
                ('date_joined', models.DateTimeField(default=django.utils.timezone.now, verbose_name='date joined')),
                ('is_demo', models.BooleanField(default=False, help_text='Signs in to a demonstration on its own machine only.')),
                ('pgh_context', models.ForeignKey(db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='pghistory.context')),
                ('pgh_obj', models.ForeignKey(db_constraint=False, on_delete=django.db.models.deletion.DO_NOTHING, related_name='changes', to=settings.AUTH_USER_MODEL)),
            ],
            options={
                'abstract': False,
            },
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='user',
            trigger=pgtrigger.compiler.Trigger(name='insert_insert', sql=pgtrigger.compiler.UpsertTriggerSql(func='WITH _pgh_attached_context AS ( SELECT _pgh_attach_context() AS value ) INSERT INTO "accounts_userchange" ("date_joined", "email", "first_name", "id", "is_active", "is_demo", "is_staff", "is_superuser", "last_name", "pgh_context_id", "pgh_created_at", "pgh_label", "pgh_obj_id", "username") SELECT new_values."date_joined", new_values."email", new_values."first_name", new_values."id", new_values."is_active", new_values."is_demo", new_values."is_staff", new_values."is_superuser", new_values."last_name", _pgh_attached_context.value, NOW(), \'insert\', new_values."id", new_values."username" FROM ( SELECT new_values.* FROM new_values  ) AS new_values, _pgh_attached_context; RETURN NULL;', hash='d1d97c5d077df9ebb8ee3c4bc94d271a52f1e52e', level='STATEMENT', operation='INSERT', pgid='pgtrigger_insert_insert_3867c', referencing='REFERENCING NEW TABLE AS new_values ', table='accounts_user', when='AFTER')),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='user',
            trigger=pgtrigger.compiler.Trigger(name='update_update', sql=pgtrigger.compiler.UpsertTriggerSql(func='WITH _pgh_attached_context AS ( SELECT _pgh_attach_context() AS value ) INSERT INTO "accounts_userchange" ("date_joined", "email", "first_name", "id", "is_active", "is_demo", "is_staff", "is_superuser", "last_name", "pgh_context_id", "pgh_created_at", "pgh_label", "pgh_obj_id", "username") SELECT new_values."date_joined", new_values."email", new_values."first_name", new_values."id", new_values."is_active", new_values."is_demo", new_values."is_staff", new_values."is_superuser", new_values."last_name", _pgh_attached_context.value, NOW(), \'update\', new_values."id", new_values."username" FROM ( SELECT new_values.* FROM old_values JOIN new_values ON (old_values."id") = (new_values."id") WHERE (old_values."date_joined" IS DISTINCT FROM (new_values."date_joined") OR old_values."email" IS DISTINCT FROM (new_values."email") OR old_values."first_name" IS DISTINCT FROM (new_values."first_name") OR old_values."id" IS DISTINCT FROM (new_values."id") OR old_values."is_active" IS DISTINCT FROM (new_values."is_active") OR old_values."is_demo" IS DISTINCT FROM (new_values."is_demo") OR old_values."is_staff" IS DISTINCT FROM (new_values."is_staff") OR old_values."is_superuser" IS DISTINCT FROM (new_values."is_superuser") OR old_values."last_name" IS DISTINCT FROM (new_values."last_name") OR old_values."username" IS DISTINCT FROM (new_values."username")) ) AS new_values, _pgh_attached_context; RETURN NULL;', hash='1a745887d2a811132444ac1687a8ca7a9ecc53a0', level='STATEMENT', operation='UPDATE', pgid='pgtrigger_update_update_0e890', referencing='REFERENCING OLD TABLE AS old_values  NEW TABLE AS new_values ', table='accounts_user', when='AFTER')),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='accountact',
            trigger=pgtrigger.compiler.Trigger(name='append_only', sql=pgtrigger.compiler.UpsertTriggerSql(func="RAISE EXCEPTION 'pgtrigger: Cannot update or delete rows from % table', TG_TABLE_NAME;", hash='8c154c592ca923e0297251bb499e34f96b3ebdda', operation='UPDATE OR DELETE', pgid='pgtrigger_append_only_f9ec9', table='accounts_accountact', when='BEFORE')),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='invitation',
            trigger=pgtrigger.compiler.Trigger(name='keep', sql=pgtrigger.compiler.UpsertTriggerSql(func="RAISE EXCEPTION 'pgtrigger: Cannot delete rows from % table', TG_TABLE_NAME;", hash='00df39c757ef7863e1ed5d74abb62bc06c738e28', operation='DELETE', pgid='pgtrigger_keep_9dff5', table='accounts_invitation', when='BEFORE')),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='invitation',
            trigger=pgtrigger.compiler.Trigger(name='as_offered', sql=pgtrigger.compiler.UpsertTriggerSql(condition='WHEN (OLD."public_id" IS DISTINCT FROM (NEW."public_id") OR OLD."token_hash" IS DISTINCT FROM (NEW."token_hash") OR OLD."name" IS DISTINCT FROM (NEW."name") OR OLD."email" IS DISTINCT FROM (NEW."email") OR OLD."role" IS DISTINCT FROM (NEW."role") OR OLD."location_ids" IS DISTINCT FROM (NEW."location_ids") OR OLD."invited_by_id" IS DISTINCT FROM (NEW."invited_by_id") OR OLD."invited_at" IS DISTINCT FROM (NEW."invited_at") OR OLD."expires_at" IS DISTINCT FROM (NEW."expires_at"))', func="RAISE EXCEPTION 'pgtrigger: Cannot update rows from % table', TG_TABLE_NAME;", hash='9da406c332859c8748272837e1723841928406ec', operation='UPDATE', pgid='pgtrigger_as_offered_7015a', table='accounts_invitation', when='BEFORE')),
        ),
        migrations.AddIndex(
            model_name='letter',
            index=models.Index(condition=models.Q(('sent_at', None), ('user__isnull', False)), fields=['due_at'], name='letter_due'),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='letter',
            trigger=pgtrigger.compiler.Trigger(name='keep', sql=pgtrigger.compiler.UpsertTriggerSql(func="RAISE EXCEPTION 'pgtrigger: Cannot delete rows from % table', TG_TABLE_NAME;", hash='3748a8c4cf1cf9b60c92c6c183466f4565181ebe', operation='DELETE', pgid='pgtrigger_keep_461d4', table='accounts_letter', when='BEFORE')),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='letter',
            trigger=pgtrigger.compiler.Trigger(name='as_written', sql=pgtrigger.compiler.UpsertTriggerSql(condition='WHEN (OLD."kind" IS DISTINCT FROM (NEW."kind") OR OLD."user_id" IS DISTINCT FROM (NEW."user_id") OR OLD."to" IS DISTINCT FROM (NEW."to") OR OLD."act" IS DISTINCT FROM (NEW."act") OR OLD."about" IS DISTINCT FROM (NEW."about") OR OLD."address" IS DISTINCT FROM (NEW."address") OR OLD."written_at" IS DISTINCT FROM (NEW."written_at") OR OLD."expires_at" IS DISTINCT FROM (NEW."expires_at"))', func="RAISE EXCEPTION 'pgtrigger: Cannot update rows from % table', TG_TABLE_NAME;", hash='34e7935ecf02406a497f570752ef3c3eced0ebf4', operation='UPDATE', pgid='pgtrigger_as_written_8374c', table='accounts_letter', when='BEFORE')),
        ),
        migrations.AddIndex(
            model_name='signin',
            index=models.Index(fields=['user', 'ended_at'], name='sign_in_of_user'),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='signin',
            trigger=pgtrigger.compiler.Trigger(name='keep', sql=pgtrigger.compiler.UpsertTriggerSql(func="RAISE EXCEPTION 'pgtrigger: Cannot delete rows from % table', TG_TABLE_NAME;", hash='87364ebe9c45ec93ff7723f4996ae009032aa31e', operation='DELETE', pgid='pgtrigger_keep_3154d', table='accounts_signin', when='BEFORE')),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='signin',
            trigger=pgtrigger.compiler.Trigger(name='as_it_was', sql=pgtrigger.compiler.UpsertTriggerSql(condition='WHEN (OLD."public_id" IS DISTINCT FROM (NEW."public_id") OR OLD."user_id" IS DISTINCT FROM (NEW."user_id") OR OLD."device" IS DISTINCT FROM (NEW."device") OR OLD."address" IS DISTINCT FROM (NEW."address") OR OLD."began_at" IS DISTINCT FROM (NEW."began_at"))', func="RAISE EXCEPTION 'pgtrigger: Cannot update rows from % table', TG_TABLE_NAME;", hash='a2e5d7b8f5c9b969007f93b22a9eaaf4b793f67f', operation='UPDATE', pgid='pgtrigger_as_it_was_d63f1', table='accounts_signin', when='BEFORE')),
        ),
        pgtrigger.migrations.AddTrigger(
            model_name='userchange',
            trigger=pgtrigger.compiler.Trigger(name='append_only', sql=pgtrigger.compiler.UpsertTriggerSql(func="RAISE EXCEPTION 'pgtrigger: Cannot update or delete rows from % table', TG_TABLE_NAME;", hash='f64833e68261542e457a7038969f1335af4847db', operation='UPDATE OR DELETE', pgid='pgtrigger_append_only_97b47', table='accounts_userchange', when='BEFORE')),
        ),
    ]
